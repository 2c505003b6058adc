"""How tall the pieces of ink of a page mostly are: the height of its small letters."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from neumary.ink import flatten
from neumary.types import U8

_SIDE_PX: Final = 1800  # longest side at which the pieces of a whole page are measured
_LEAST_PX: Final = 5  # smaller pieces are specks
_LARGEST: Final = 0.06  # of the shorter side; larger pieces are initials and pictures
_FEWEST: Final = 10  # with fewer of them the same share of the longer side is let in: a fragment
_INK: Final = 70  # strength from which a pixel is ink
_FULL: Final = 0.12  # least ink of a piece's box; lines and frames have less
_LONGEST: Final = 8.0  # heights; wider pieces are lines
_SPREAD: Final = 0.2  # width of the kernel over logarithms of heights


def piece_height_px(flat: U8) -> float:
    """The commonest height of connected pieces of ink; words outvote specks.

    Parameters
    ----------
    flat : ndarray of uint8, shape (H, W, 3)
        Flattened colours, 255 = bare parchment.

    Returns
    -------
    float
        px of the picture; 0 where it has too little ink to tell.
    """
    inked = (255 - flat.min(axis=2) > _INK).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(inked, connectivity=8)
    heights = stats[1:, cv2.CC_STAT_HEIGHT].astype(float)
    widths = stats[1:, cv2.CC_STAT_WIDTH].astype(float)
    area = stats[1:, cv2.CC_STAT_AREA].astype(float)
    whole = (heights >= _LEAST_PX) & (widths < _LONGEST * heights) & (area > _FULL * heights * widths)
    fits = whole & (heights <= _LARGEST * min(inked.shape))
    if fits.sum() < _FEWEST:
        fits = whole & (heights <= _LARGEST * max(inked.shape))
    heights, area = heights[fits], area[fits]
    if len(heights) < _FEWEST:
        return 0.0
    weights = heights * np.sqrt(area)
    grid = np.exp(np.arange(np.log(_LEAST_PX), np.log(heights.max()) + 0.05, 0.03))
    near = np.exp(-0.5 * (np.log(grid[:, None] / heights[None]) / _SPREAD) ** 2)
    return float(grid[int(np.argmax(near @ weights))])


def piece_height_of_page_px(rgb: U8) -> float:
    """The same of a photographed page, px of the photograph.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    """
    reduce = min(1.0, float(_SIDE_PX / max(rgb.shape[:2])))
    size = (max(1, round(rgb.shape[1] * reduce)), max(1, round(rgb.shape[0] * reduce)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA) if reduce < 1 else rgb
    return piece_height_px(flatten(np.asarray(small, np.uint8))) / reduce
