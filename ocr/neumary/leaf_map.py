"""InkMap -> LeafMap: what the leaf network sees at every place of a page.

The network was trained for `LEAF_SPACE` pixels a staff space and bears an error of a third
either way; it tells the space itself, so a wrong first guess is mended by looking again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from neumary.lines import Floats
from neumary.types import F32, U8, InkMap
from neumary_models.leaf_outputs import (
    DOWN,
    LEAF_SPACE,
    LINE,
    REACH_SCALE,
    REGION,
    REGIONS,
    SPACE,
    STRIDE,
    UP,
    ZONE,
)
from neumary_models.zoo import LoadedModel

_MULTIPLE: Final = 16  # the network halves the picture four times
_LARGEST: Final = 12_000_000  # input pixels, lest a wrong scale fill the memory
_SMALLEST: Final = 32


@dataclass(frozen=True, slots=True, eq=False)
class LeafMap:
    """Maps over a page; arrays of shape (h, w) or (k, h, w), one value a cell.

    Attributes
    ----------
    zone : ndarray of float32, shape (3, h, w)
        Probabilities in the order of `ZONES`.
    line : ndarray of float32, shape (h, w)
        Probability of a staff line's middle.
    up, down : ndarray of float32, shape (h, w)
        Cells up to the top line and down to the bottom line of the staff at this place.
    space : ndarray of float32, shape (h, w)
        Staff space in cells.
    region : ndarray of float32, shape (4, h, w)
        Probabilities in the order of `REGIONS`.
    cell_px : tuple of float
        Working pixels a cell, (rows, columns).
    """

    zone: F32
    line: F32
    up: F32
    down: F32
    space: F32
    region: F32
    cell_px: tuple[float, float]

    def rows_at(self, cells: Floats) -> Floats:
        """Working rows of places in cells; cell i has its centre at i."""
        return np.asarray((cells + 0.5) * self.cell_px[0] - 0.5)

    def cols_at(self, cells: Floats) -> Floats:
        """Working columns of places in cells."""
        return np.asarray((cells + 0.5) * self.cell_px[1] - 0.5)

    def share_of(self, region: str) -> float:
        """Share of the page's cells on which a region stands."""
        return float((self.region[REGIONS.index(region)] > 0.5).mean())


def look_aslant(ink: InkMap, space_px: float, model: LoadedModel, slope: float) -> LeafMap:
    """Run the leaf network over a page whose lines fall, or rise, more steeply than it knows them.

    Parameters
    ----------
    ink : InkMap
    space_px : float
        As for `look`.
    model : LoadedModel
    slope : float
        Rows a column by which the page is sheared for the look: lines that fall so much come to lie level.

    Returns
    -------
    LeafMap
        Of the page as it is.
    """
    height, width = ink.flat.shape[:2]
    tall, down = height + round(abs(slope) * width), max(0.0, slope * width)
    shear = np.array([[1.0, 0.0, 0.0], [-slope, 1.0, down]])
    level = cv2.warpAffine(ink.flat, shear, (width, tall), borderValue=(255, 255, 255))
    seen = _look(np.asarray(level, dtype=np.uint8), space_px, model)
    high, wide = seen.cell_px
    back = np.array([[1.0, 0.0, 0.0], [-slope * wide / high, 1.0, down / high]])
    size = (seen.line.shape[1], math.ceil(height / high))

    def as_it_is(cells: F32, beyond: float) -> F32:
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(cells, back, size, flags=how, borderValue=beyond), dtype=np.float32)

    return LeafMap(
        zone=np.stack([as_it_is(one, float(i == 0)) for i, one in enumerate(seen.zone)]),
        line=as_it_is(seen.line, 0.0),
        up=as_it_is(seen.up, 0.0),
        down=as_it_is(seen.down, 0.0),
        space=as_it_is(seen.space, 1.0),
        region=np.stack([as_it_is(one, 0.0) for one in seen.region]),
        cell_px=seen.cell_px,
    )


def look(ink: InkMap, space_px: float, model: LoadedModel) -> LeafMap:
    """Run the leaf network over a page.

    Parameters
    ----------
    ink : InkMap
    space_px : float
        Staff space, or a guess at it, in working pixels.
    model : LoadedModel
        The leaf network.

    Returns
    -------
    LeafMap
    """
    return _look(ink.flat, space_px, model)


def _look(flat: U8, space_px: float, model: LoadedModel) -> LeafMap:
    picture, size = picture_of(flat, space_px)
    height, width = flat.shape[:2]
    scores = model.run(picture)[0]
    scores = scores[:, : -(-size[1] // STRIDE), : -(-size[0] // STRIDE)]
    zone = np.exp(scores[ZONE] - scores[ZONE].max(axis=0))
    return LeafMap(
        zone=zone / zone.sum(axis=0),
        line=_sigmoid(scores[LINE][0]),
        up=scores[UP][0] * REACH_SCALE,
        down=scores[DOWN][0] * REACH_SCALE,
        space=np.exp(scores[SPACE][0]) * (LEAF_SPACE / STRIDE),
        region=_sigmoid(scores[REGION]),
        cell_px=(STRIDE * height / size[1], STRIDE * width / size[0]),
    )


def picture_of(flat: U8, space_px: float) -> tuple[F32, tuple[int, int]]:
    """The network's view of a page.

    Parameters
    ----------
    flat : ndarray of uint8, shape (H, W, 3)
        Flattened colours, 255 = bare parchment.
    space_px : float
        Staff space in pixels of `flat`.

    Returns
    -------
    ndarray of float32, shape (1, 3, h, w)
        Ink strengths 0..1; h and w multiples of 16, nothing beyond the page.
    tuple of int
        Columns and rows that are the page.
    """
    height, width = flat.shape[:2]
    scale = min(LEAF_SPACE / space_px, float(np.sqrt(_LARGEST / (height * width))))
    size = (max(_SMALLEST, round(width * scale)), max(_SMALLEST, round(height * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(flat, size, interpolation=way)
    rows, cols = (-(-side // _MULTIPLE) * _MULTIPLE for side in (size[1], size[0]))
    picture = np.zeros((1, 3, rows, cols), dtype=np.float32)
    picture[0, :, : size[1], : size[0]] = np.moveaxis(255 - small, 2, 0)
    picture /= 255.0
    return picture, size


def _sigmoid(scores: F32) -> F32:
    return np.asarray(1.0 / (1.0 + np.exp(-scores)), dtype=np.float32)
