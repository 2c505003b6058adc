"""Photograph -> staffless signs, text and ink: one or two looks at the whole page.

The page is brought to the size the network was trained at. Where nothing tells the size, it is
guessed from the ink; the signs found then tell it better, and only where the guess was far off
is the page looked at again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from neumary.ink import flatten
from neumary.staffless import FreeCalibration, FreeCandidate, find_free_signs
from neumary.staffless_scale import scale_error, typical_sign_px
from neumary.types import F32, U8, Bool
from neumary_models.staffless_outputs import REGION, REGIONS, SIGN_PX, STRIDE
from neumary_models.zoo import LoadedModel

_MULTIPLE: Final = 16  # the network halves the picture four times
_LARGEST: Final = 9_000_000  # input pixels, lest a wrong size fill the memory
_OFF: Final = 0.3  # logarithm of an error in size from which another look is worth its time
_INK: Final = 70  # strength from which a pixel is ink, as in `neumary.staffless_scale`


@dataclass(frozen=True, slots=True, eq=False)
class FreeLook:
    """What was seen; places in px of the network's input.

    Attributes
    ----------
    signs : list of FreeCandidate
        The surest first.
    ink : ndarray of bool, shape (H, W)
    text : ndarray of bool, shape (h, w)
        Cells that hold written words; the cell (i, j) has its centre at (2i + 0.5, 2j + 0.5).
    scale : float
        Input px per page px: page = (input + 0.5) / scale - 0.5.
    size_px : float
        Height of a virga as the signs tell it, input px.
    looks : int
        How often the network ran.
    """

    signs: list[FreeCandidate]
    ink: Bool
    text: Bool
    scale: float
    size_px: float
    looks: int


def look_for_signs(rgb: U8, model: LoadedModel, size_px: float | None = None) -> FreeLook | None:
    """Find the staffless signs of a page or of a part of one.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    model : LoadedModel
        The staffless network.
    size_px : float, optional
        Height of a virga, px, right within a half; guessed from the ink where left out.

    Returns
    -------
    FreeLook or None
        None where the page has too little ink to tell any size.
    """
    known = FreeCalibration(**model.calibration)
    size = typical_sign_px(rgb) if size_px is None else size_px
    if size <= 0:
        return None
    seen = _look(rgb, model, SIGN_PX / size, known)
    error = seen.size_px / SIGN_PX
    if abs(math.log(error)) > _OFF:
        again = _look(rgb, model, seen.scale / error, known)
        better = sum(s.p_sign for s in again.signs) >= 0.8 * sum(s.p_sign for s in seen.signs)
        seen = replace(again if better else seen, looks=2)
    return seen


def _look(rgb: U8, model: LoadedModel, scale: float, known: FreeCalibration) -> FreeLook:
    height, width = rgb.shape[:2]
    scale = min(scale, math.sqrt(_LARGEST / (height * width)))
    size = (max(_MULTIPLE, round(width * scale)), max(_MULTIPLE, round(height * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    flat = flatten(np.asarray(cv2.resize(rgb, size, interpolation=way), np.uint8), SIGN_PX)
    strength = 255 - flat
    scores = model.run(_padded(strength))[0][:, : -(-size[1] // STRIDE), : -(-size[0] // STRIDE)]
    signs = find_free_signs(scores, known)
    regions = scores[REGION]
    text = regions.argmax(axis=0) == REGIONS.index("text")
    return FreeLook(signs, strength.max(axis=2) > _INK, text, scale, SIGN_PX * scale_error(signs), 1)


def _padded(strength: U8) -> F32:
    """The network's input, shape (1, 3, h, w)."""
    rows, cols = (-(-side // _MULTIPLE) * _MULTIPLE for side in strength.shape[:2])
    picture = np.zeros((1, 3, rows, cols), dtype=np.float32)
    picture[0, :, : strength.shape[0], : strength.shape[1]] = np.moveaxis(strength, 2, 0)
    picture /= 255.0
    return picture
