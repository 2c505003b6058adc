"""Rendered pages to pictures and target maps for the leaf network.

Pages pass the ink stage as in use, then are kept at `STORED_SPACE` pixels a staff space; the
targets lie at half that resolution. Training draws other scales from them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.types import U8, Page, Staff
from neumary_models.leaf_outputs import BAND_SPACES, REGIONS
from neumary_synth.render import Rendered
from neumary_training.data import ink_of
from neumary_training.shards import Arrays, View, load_numbered, numbered

F16 = npt.NDArray[np.float16]

STORED_SPACE: Final = 8.0
_FAR: Final = 100.0  # stands for "no line near"
_LAYER_ON: Final = 96  # coverage from which a pixel counts as of a layer
_FULL_LINES: Final = 3  # staves of at least so many lines are full


@dataclass(frozen=True, slots=True, eq=False)
class Leaf:
    """One page with its targets.

    Attributes
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        Flattened colours, 255 = bare parchment; H and W even.
    zone : ndarray of uint8, shape (H / 2, W / 2)
        Index into `ZONES`.
    up, down, line : ndarray of float16, shape (H / 2, W / 2)
        Distances in stored pixels: up to the top line, down to the bottom line, to the nearest line.
    space : ndarray of float16, shape (H / 2, W / 2)
        Staff space in stored pixels; 0 off the zones.
    region : ndarray of uint8, shape (H / 2, W / 2)
        Bit k set: `REGIONS[k]`.
    """

    picture: U8
    zone: U8
    up: F16
    down: F16
    line: F16
    space: F16
    region: U8


def leaf_of(rendered: Rendered) -> Leaf:
    """Picture and targets of a rendered page."""
    page = rendered.page
    spaces = [staff.space_px for staff in page.staves if staff.space_px > 0]
    space = float(np.median(spaces)) if spaces else float(page.provenance.settings["space_px"])
    ink = ink_of(rendered.rgb, space)
    scale = STORED_SPACE / space
    height, width = (max(16, 2 * round(side * scale / 2)) for side in (page.height, page.width))
    way = cv2.INTER_AREA if scale < ink.scale else cv2.INTER_LINEAR
    picture = np.asarray(cv2.resize(ink.flat, (width, height), interpolation=way), np.uint8)
    rows, cols = height // 2, width // 2
    zone = np.zeros((rows, cols), np.uint8)
    up, down, line, own = (np.full((rows, cols), fill, np.float16) for fill in (0.0, 0.0, _FAR, 0.0))
    for staff in rendered.ruled:  # what an edge of the picture cuts off still bounds the staff
        _draw(staff, width / page.width, zone, up, down, line, own)
    return Leaf(picture, zone, up, down, line, own, _regions(rendered, (cols, rows)))


def _draw(staff: Staff, scale: float, zone: U8, up: F16, down: F16, line: F16, own: F16) -> None:
    kind = 1 if len(staff.lines) >= _FULL_LINES else 2
    space = staff.space_px * scale
    first = max(0, int(np.ceil((min(x.cols[0] for x in staff.lines) * scale - 0.5) / 2)))
    last = min(zone.shape[1] - 1, int((max(x.cols[-1] for x in staff.lines) * scale - 0.5) / 2))
    if last <= first:
        return
    at = (np.arange(first, last + 1) * 2 + 1.0) / scale - 0.5  # original columns of the cells' centres
    lines = np.array([np.interp(at, x.cols, x.rows) for x in staff.lines])
    lines = (lines + 0.5) * scale - 0.5
    centres = np.arange(zone.shape[0])[:, None] * 2 + 0.5
    to_top, to_bottom = centres - lines[-1], lines[0] - centres
    margin = BAND_SPACES[kind] * space
    inside = (to_top >= -margin) & (to_bottom >= -margin)
    columns = slice(first, last + 1)
    zone[:, columns][inside] = kind
    up[:, columns][inside] = to_top[inside]
    down[:, columns][inside] = to_bottom[inside]
    own[:, columns][inside] = space
    near = np.full(inside.shape, _FAR)
    for truth, course in zip(staff.lines, lines, strict=True):
        there = (at >= truth.cols[0]) & (at <= truth.cols[-1])
        near[:, there] = np.minimum(near[:, there], np.abs(centres - course)[:, there])
    line[:, columns] = np.minimum(line[:, columns], near.astype(np.float16))


def _regions(rendered: Rendered, size: tuple[int, int]) -> U8:
    masks = rendered.masks
    music = masks["music"] > _LAYER_ON
    free = music & _off_lines(rendered.page, music.shape)
    maps = {
        "text": masks["text"] > _LAYER_ON,
        "decoration": masks["decoration"] > _LAYER_ON,
        "free-sign": free,
        "music": music & ~free,
    }
    out = np.zeros(size[::-1], np.uint8)
    for bit, name in enumerate(REGIONS):
        share = cv2.resize(maps[name].astype(np.float32), size, interpolation=cv2.INTER_AREA)
        out |= np.where(share > 0.2, np.uint8(1 << bit), np.uint8(0))
    return out


def _off_lines(page: Page, shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Where signs without lines of their own stand, by their boxes."""
    lined = {staff.id for staff in page.staves if staff.lines}
    out = np.zeros(shape, dtype=bool)
    for glyph in page.glyphs:
        if glyph.staff not in lined or glyph.layer != "melody":
            out[glyph.box.top : glyph.box.bottom, glyph.box.left : glyph.box.right] = True
    return out


def _seen(rendered: Rendered, own: int) -> Leaf:
    return leaf_of(rendered)


def _packed(parts: list[Leaf]) -> Arrays:
    return numbered(parts, Leaf.__slots__)


LEAVES_VIEW: Final = View(_seen, _packed)
"""Whole pages, as the finder of staves sees them."""


def load_leaves(folder: Path, split: str) -> list[Leaf]:
    """The pages of a split found in a folder, in order.

    Raises
    ------
    FileNotFoundError
        If there are none.
    """
    return [Leaf(**one) for one in load_numbered(folder, split, Leaf.__slots__)]
