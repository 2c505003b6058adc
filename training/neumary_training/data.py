"""Rendered pages to training strips, through the very stages a real page passes.

The light is evened out by `neumary.ink`, each staff is pulled straight by
`neumary.strips` and its lines are taken out by `neumary.erase`: what the network sees
in training is made by the code that runs in use. Only the staff lines come from the
truth, shaken a little, as a finder's lines are never perfect.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import cv2
import msgspec
import numpy as np
import numpy.typing as npt

from neumary import ink as ink_stage
from neumary.erase import erase_lines
from neumary.strips import BOTTOM_ROW, MARGIN_SPACES, STRIP_HEIGHT, STRIP_SPACE, cut_strip
from neumary.types import U8, InkMap, Page, Reading, Staff, StaffLine
from neumary_models.labels import LAYERS, NAMES
from neumary_models.outputs import STRIDE
from neumary_synth.render import Rendered
from neumary_training.letter_views import letter_views
from neumary_training.shards import Arrays, View, shard_paths, side_by_side

SPACE_AT_WORK_PX: Final = 18.0  # staff space the ink stage aims at
_LAYER_ORDER: Final = ("bleed", "line", "decoration", "text", "music")  # later ones win a pixel

NO_STEP: Final = -99
"""Stands for "no step" in the table of signs (divisions)."""
F_LINE, C_LINE = 24, 28  # degrees of the clefs' lines, see neumary.types

SIGN_FIELDS: Final = ("strip", "row", "col", "label", "step", "starts")


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Many strips side by side.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (W, H, 4)
        Column by column: flattened RGB and line-free ink; W is the sum of all widths.
    layers : ndarray of uint8, shape (W / 2, H / 2)
        Index into `LAYERS` for each output cell.
    starts : ndarray of int64, shape (n + 1,)
        First column of each strip, and the end.
    lines : ndarray of int64, shape (n,)
        Bit k set: a line k spaces above the bottom line.
    signs : ndarray of float32, shape (m, 6)
        `SIGN_FIELDS`; row and col in strip pixels, sorted by strip and column.
    """

    pixels: U8
    layers: U8
    starts: npt.NDArray[np.int64]
    lines: npt.NDArray[np.int64]
    signs: npt.NDArray[np.float32]


def ink_of(rgb: U8, space_px: float) -> InkMap:
    """Flatten a page and bring it to working scale, as the ink stage does with a known space."""
    scale = min(1.0, SPACE_AT_WORK_PX / space_px)
    if scale < 1.0:
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        small: U8 = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        scale = size[0] / rgb.shape[1]
    else:
        small = rgb
    flat = ink_stage.flatten(small, space_px * scale)
    nothing = np.zeros(flat.shape[:2], dtype=np.uint8)
    return InkMap(page_id="", flat=flat, dark=nothing, coloured=nothing, scale=scale)


def shaken(staff: Staff, rng: np.random.Generator) -> Staff:
    """A staff as a finder might trace it: lines off by hundredths of a space, ends by tenths.

    The sizes are those of the shipped finder's errors on rendered pages (of 521 staves: the left
    end 0.2 spaces late in the median, one in twenty off by two; 1 % of lines waver by 0.09 spaces
    and more), lines somewhat more.
    """
    space = staff.space_px
    common = rng.normal(0, 0.028) * space
    lines = []
    for line in staff.lines:
        own = common + rng.normal(0, 0.022) * space
        wave = rng.normal(0, 0.02, size=len(line.rows)) * space
        wave = np.convolve(wave, [0.25, 0.5, 0.25])[1:-1]  # mode "same" is longer than two points
        rows = np.asarray(line.rows) + own + wave
        lines.append(
            StaffLine(
                cols=line.cols,
                rows=tuple(float(r) for r in rows),
                thickness_px=line.thickness_px,
                colour=line.colour,
                seen=line.seen,
            )
        )
    found = msgspec.structs.replace(
        staff, lines=tuple(lines), space_px=space * float(np.exp(rng.normal(0, 0.025)))
    )
    return _ends_moved(found, 0.15 + _slip(rng), -0.1 - _slip(rng))


_WILD_ENDS: Final = 0.08
"""Share of ends that lie up to `_WILD_SPACES` off."""
_WILD_SPACES: Final = 2.2


def _slip(rng: np.random.Generator) -> float:
    """Staff spaces by which a finder misses the end of a staff, beside its habit."""
    wild, near = rng.uniform(-_WILD_SPACES, _WILD_SPACES), rng.normal(0, 0.25)
    return float(wild if rng.random() < _WILD_ENDS else near)


def _ends_moved(staff: Staff, left: float, right: float) -> Staff:
    """The staff with its ends moved by so many spaces to the right; lines too short for it stay."""
    space = staff.space_px
    lines = []
    for line in staff.lines:
        first, last = line.cols[0] + left * space, line.cols[-1] + right * space
        if last - first < 2 * space:
            return staff
        cols = [first, *(col for col in line.cols if first < col < last), last]
        rows = np.interp(cols, line.cols, line.rows)
        lines.append(
            msgspec.structs.replace(
                line, cols=tuple(float(col) for col in cols), rows=tuple(float(row) for row in rows)
            )
        )
    return msgspec.structs.replace(staff, lines=tuple(lines))


def staff_views(page: Page, rng: np.random.Generator) -> list[tuple[str, Staff, bool]]:
    """Staves as a finder might give them: id in the truth, staff, whether its grid is known.

    Music without lines is seen twice: between virtual lines, as once its letters are read, and
    with no grid at all, as before.
    """
    views: list[tuple[str, Staff, bool]] = []
    for truth in page.staves:
        if truth.kind == "letters":
            views += [(truth.id, staff, known) for staff, known in letter_views(page, truth, rng)]
        elif truth.lines:
            views.append((truth.id, shaken(truth, rng), True))
    return views


def strips_of(rendered: Rendered, rng: np.random.Generator) -> Strips | None:
    """All staves of a rendered page as strips with their truth; None if it has no staves."""
    page = rendered.page
    views = staff_views(page, rng)
    if not views:
        return None
    ink = ink_of(rendered.rgb, float(np.median([staff.space_px for _, staff, _ in views])))
    kinds = _layer_index(rendered)
    pixels, layers, widths, signs = [], [], [], []
    for index, (name, staff, known) in enumerate(views):
        strip = cut_strip(ink, staff)
        if not known:
            strip = replace(strip, line_rows=())
        view = np.dstack([strip.rgb, erase_lines(strip)])
        pixels.append(np.ascontiguousarray(view.transpose(1, 0, 2)))
        rows = np.clip(np.rint(strip.page_rows[::STRIDE, ::STRIDE]), 0, page.height - 1).astype(np.int64)
        cols = np.clip(np.rint(strip.page_cols[::STRIDE, ::STRIDE]), 0, page.width - 1).astype(np.int64)
        layers.append(np.ascontiguousarray(kinds[rows, cols].T))
        widths.append(strip.rgb.shape[1])
        own = _signs_of(page, name, staff, index)
        own = own[(own[:, 2] >= 0) & (own[:, 2] < widths[-1])]
        if not known:
            own[:, SIGN_FIELDS.index("step")] = NO_STEP
        signs.append(own)
    return Strips(
        pixels=np.concatenate(pixels),
        layers=np.concatenate(layers),
        starts=np.concatenate([[0], np.cumsum(widths)]).astype(np.int64),
        lines=np.array(
            [sum(1 << place for place in staff.places) if known else 0 for _, staff, known in views],
            dtype=np.int64,
        ),
        signs=np.concatenate(signs),
    )


def _layer_index(rendered: Rendered) -> U8:
    out = np.zeros((rendered.page.height, rendered.page.width), dtype=np.uint8)
    for name in _LAYER_ORDER:
        out[rendered.masks[name] > 96] = LAYERS.index(name)
    return out


def _signs_of(page: Page, truth_id: str, staff: Staff, index: int) -> npt.NDArray[np.float32]:
    readings = page.current()
    left = min(line.cols[0] for line in staff.lines) - MARGIN_SPACES * staff.space_px
    rows = []
    for glyph in page.glyphs:
        if glyph.staff != truth_id or glyph.layer != "melody":
            continue
        reading = readings[glyph.id]
        row = BOTTOM_ROW - staff.step_at(glyph.row, glyph.col) * STRIP_SPACE / 2
        col = (glyph.col - left) / staff.space_px * STRIP_SPACE
        if not 0 <= row < STRIP_HEIGHT:
            continue
        step = _meant_step(reading, staff)
        rows.append((index, row, col, NAMES.index(reading.label), step, reading.starts_neume))
    rows.sort(key=lambda r: r[2])
    return np.array(rows, dtype=np.float32).reshape(-1, len(SIGN_FIELDS))


def _meant_step(reading: Reading, staff: Staff) -> int:
    """Step above the bottom line; on coloured lines from the degree, as red means F and others C."""
    if reading.step is not None:
        return reading.step
    if reading.pitch is None or reading.pitch.degree is None or len(staff.lines) > 2:
        return NO_STEP
    bottom = F_LINE if staff.lines[0].colour == "red" else C_LINE
    return reading.pitch.degree - bottom


def join(parts: Iterable[Strips]) -> Strips:
    """Many sets of strips as one."""
    parts = list(parts)
    starts, signs, columns, count = [np.zeros(1, dtype=np.int64)], [], 0, 0
    for part in parts:
        starts.append(part.starts[1:] + columns)
        own = part.signs.copy()
        own[:, 0] += count
        signs.append(own)
        columns += int(part.starts[-1])
        count += len(part.lines)
    return Strips(
        pixels=np.concatenate([part.pixels for part in parts]),
        layers=np.concatenate([part.layers for part in parts]),
        starts=np.concatenate(starts),
        lines=np.concatenate([part.lines for part in parts]),
        signs=np.concatenate(signs),
    )


def _seen(rendered: Rendered, own: int) -> Strips | None:
    return strips_of(rendered, np.random.default_rng([own, 5]))


def _packed(parts: list[Strips]) -> Arrays:
    joined = join(parts)
    return {name: getattr(joined, name) for name in Strips.__slots__}


STRIPS_VIEW: Final = View(_seen, _packed)
"""Staves pulled straight, as the reader of signs sees them."""


class _Shard:
    """What a shard holds but for its pictures."""

    def __init__(self, path: Path) -> None:
        with np.load(path) as data:
            starts, lines, signs = data["starts"], data["lines"], data["signs"]
        self.path, self.columns = path, int(starts[-1])
        nothing = np.empty((0, STRIP_HEIGHT, 4), dtype=np.uint8)
        self.small = Strips(nothing, nothing[:, ::STRIDE, 0], starts, lines, signs)


def load_strips(folder: Path, split: str) -> Strips:
    """The shards of a split found in a folder, in order."""
    parts = side_by_side(_Shard, shard_paths(folder, split))
    total = sum(part.columns for part in parts)
    pixels = np.empty((total, STRIP_HEIGHT, 4), dtype=np.uint8)
    layers = np.empty((total // STRIDE, STRIP_HEIGHT // STRIDE), dtype=np.uint8)
    ends = np.cumsum([part.columns for part in parts]).tolist()

    def fill(job: tuple[_Shard, int]) -> None:  # in place: all shards and their sum would not fit
        part, end = job
        with np.load(part.path) as data:
            pixels[end - part.columns : end] = data["pixels"]
            layers[(end - part.columns) // STRIDE : end // STRIDE] = data["layers"]

    side_by_side(fill, list(zip(parts, ends, strict=True)))
    small = join(part.small for part in parts)
    return replace(small, pixels=pixels, layers=layers)
