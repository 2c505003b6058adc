"""Rendered pages to pictures and signs for the staffless-sign network.

Each page passes the ink stage as in use and is kept once, at a size at which a virga is
`SIGN_PX` high times a factor drawn from 0.65 to 1.5: the scale found in use is never exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.ink import flatten
from neumary.types import U8
from neumary_models.staffless_outputs import REGIONS, SIGN_PX, STAFFLESS_NAMES
from neumary_synth.render import Rendered
from neumary_training.shards import Arrays, View, load_numbered, numbered

F32 = npt.NDArray[np.float32]

JITTER: Final = (0.65, 1.5)
"""Least and greatest size of a stored page against the one meant."""
SIGN_FIELDS: Final = ("top", "left", "bottom", "right", "name", "episema", "liquescent")
_MOST_PIXELS: Final = 2_600_000  # larger pages are cut to a part of about this size
_BARE_EVERY: Final = 12  # of pages without free signs, one in so many is kept among others
_LAYER_ON: Final = 96  # coverage from which a pixel counts as of a layer
SPACES_PX: Final = {"staffless": (17.0, 34.0), "layered": (15.0, 30.0)}
"""Staff space of pages with signs: smaller photographs would only show blots."""
_SIGN_PER_SPACE: Final = 1.0  # virga against staff space, for pages without staffless signs


@dataclass(frozen=True, slots=True, eq=False)
class FreePage:
    """One page with its truth.

    Attributes
    ----------
    picture : ndarray of uint8, shape (H, W, 3)
        Flattened colours, 255 = bare parchment; H and W even.
    region : ndarray of uint8, shape (H / 2, W / 2)
        Index into `REGIONS`.
    signs : ndarray of float32, shape (n, 7)
        `SIGN_FIELDS`; edges in picture px.
    """

    picture: U8
    region: U8
    signs: F32


def free_page_of(rendered: Rendered, rng: np.random.Generator, jitter: float | None = None) -> FreePage:
    """Picture and truth of a rendered page, at a random size unless `jitter` gives its factor."""
    sizes = [sign.size_px for sign in rendered.signs]
    space = float(rendered.page.provenance.settings["space_px"])
    size = float(np.median(sizes)) if sizes else _SIGN_PER_SPACE * space * rng.uniform(0.75, 1.4)
    factor = float(np.exp(rng.uniform(*np.log(JITTER)))) if jitter is None else jitter
    scale = SIGN_PX * factor / size
    height, width = (max(32, 2 * round(side * scale / 2)) for side in rendered.rgb.shape[:2])
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(rendered.rgb, (width, height), interpolation=way), np.uint8)
    picture = flatten(small, SIGN_PX)
    region = _regions(rendered, (width // 2, height // 2))
    rows = [
        (
            *(edge * scale for edge in sign.box),
            STAFFLESS_NAMES.index(sign.name),
            sign.episema,
            sign.liquescent,
        )
        for sign in rendered.signs
    ]
    signs = np.array(rows, dtype=np.float32).reshape(-1, len(SIGN_FIELDS))
    return _part(FreePage(picture, region, signs), rng)


def _part(page: FreePage, rng: np.random.Generator) -> FreePage:
    """The page, or a random level band of it where it is very large."""
    height, width = page.picture.shape[:2]
    keep = min(height, max(64, 2 * int(_MOST_PIXELS / width / 2)))
    if keep >= height:
        return page
    first = 2 * int(rng.integers(0, (height - keep) // 2 + 1))
    signs = page.signs.copy()
    signs[:, [0, 2]] -= first
    middle = (signs[:, 0] + signs[:, 2]) / 2
    return FreePage(
        np.ascontiguousarray(page.picture[first : first + keep]),
        np.ascontiguousarray(page.region[first // 2 : (first + keep) // 2]),
        signs[(middle >= 0) & (middle < keep)],
    )


def _regions(rendered: Rendered, size: tuple[int, int]) -> U8:
    """What the ink of each cell is; `size` (columns, rows)."""
    masks = rendered.masks
    around = np.zeros(masks["music"].shape, dtype=bool)
    for sign in rendered.signs:
        top, left, bottom, right = sign.box
        around[max(int(top) - 1, 0) : int(bottom) + 2, max(int(left) - 1, 0) : int(right) + 2] = True
    music = masks["music"] > _LAYER_ON
    layers = {
        "decoration": masks["decoration"] > _LAYER_ON,
        "other": (masks["line"] > _LAYER_ON) | (music & ~around),
        "text": masks["text"] > _LAYER_ON,
        "sign": music & around,
    }
    out = np.zeros(size[::-1], np.uint8)
    for name, layer in layers.items():
        share = cv2.resize(layer.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        out[share > 0.25] = REGIONS.index(name)
    return out


def _seen(rendered: Rendered, own: int) -> FreePage:
    return free_page_of(rendered, np.random.default_rng([own, 10]))


def _packed(parts: list[FreePage]) -> Arrays:
    return numbered(parts, FreePage.__slots__)


def _few_seen(rendered: Rendered, own: int) -> FreePage | None:
    return _seen(rendered, own) if rendered.signs or own % _BARE_EVERY == 0 else None


FREE_VIEW: Final = View(_seen, _packed)
"""Whole pages, as the reader of free signs sees them."""
FEW_FREE_VIEW: Final = View(_few_seen, _packed)
"""The same, with few of the pages that have no such signs."""


def load_free_pages(folder: Path, split: str) -> list[FreePage]:
    """The pages of a split found in a folder, in order.

    Raises
    ------
    FileNotFoundError
        If there are none.
    """
    return [FreePage(**one) for one in load_numbered(folder, split, FreePage.__slots__)]
