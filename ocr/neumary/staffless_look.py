"""Photograph -> staffless signs, text and ink: one or two looks at the whole page.

The page is brought to about the size the network was trained at. Where no staves tell the size, it is
guessed from the ink; the signs a first, coarse look finds then tell it better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from neumary.ink import flatten
from neumary.staffless import FreeCalibration, FreeCandidate, find_free_signs, merge_signs, scaled
from neumary.staffless_scale import scale_error, typical_sign_px
from neumary.types import F32, U8, Bool
from neumary_models.staffless_outputs import REGION, REGIONS, SIGN_PX, STRIDE
from neumary_models.zoo import LoadedModel

_MULTIPLE: Final = 16  # the network halves the picture four times
_LARGEST: Final = 9_000_000  # input pixels, lest a wrong size fill the memory
_COARSE: Final = 0.7
_FINE: Final = 0.9  # sizes of the two looks against the one trained for: held-out pages, see the card
_FINE_BY_STAVES: Final = 0.85
_KEPT_P: Final = 0.25  # presence from which signs are kept on pages without staves
_OFF: Final = 0.3  # logarithm of an error in size from which what the coarse look saw is not used
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
    told : bool
        Whether enough signs were found to tell the size.
    """

    signs: list[FreeCandidate]
    ink: Bool
    text: Bool
    scale: float
    size_px: float
    looks: int
    told: bool = True


def look_for_signs(rgb: U8, model: LoadedModel, size_px: float | None = None) -> FreeLook | None:
    """Find the staffless signs of a page or of a part of one.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    model : LoadedModel
        The staffless network.
    size_px : float, optional
        Height of a virga, px, right within a third, as staves tell it; one look is taken. Where left
        out it is guessed from the ink, a coarse look tells it better, and a finer one is taken by it.

    Returns
    -------
    FreeLook or None
        None where the page has too little ink to tell any size.

    Notes
    -----
    Signs either look sees are kept: hands unlike those of training are found more surely so. Such pages
    hold nothing but these signs, so less sure ones are kept too, and marked as doubtful.
    """
    known = FreeCalibration(**model.calibration)
    if size_px is not None:
        return _look(rgb, model, _FINE_BY_STAVES * SIGN_PX / size_px, known)
    size = typical_sign_px(rgb)
    if size <= 0:
        return None
    known = replace(known, believe_p=min(known.believe_p, _KEPT_P))
    coarse = _look(rgb, model, _COARSE * SIGN_PX / size, known)
    size = coarse.size_px / coarse.scale if coarse.told else size
    fine = _look(rgb, model, _FINE * SIGN_PX / size, known)
    if abs(math.log(coarse.scale * size / SIGN_PX / _COARSE)) > _OFF:
        return replace(fine, looks=2)
    return replace(
        fine, signs=merge_signs(fine.signs, scaled(coarse.signs, fine.scale / coarse.scale)), looks=2
    )


def _look(rgb: U8, model: LoadedModel, scale: float, known: FreeCalibration) -> FreeLook:
    height, width = rgb.shape[:2]
    scale = min(scale, math.sqrt(_LARGEST / (height * width)))
    size = (max(_MULTIPLE, round(width * scale)), max(_MULTIPLE, round(height * scale)))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    flat = flatten(np.asarray(cv2.resize(rgb, size, interpolation=way), np.uint8), SIGN_PX)
    strength = 255 - flat
    scores = model.run(padded(strength))[0][:, : -(-size[1] // STRIDE), : -(-size[0] // STRIDE)]
    signs = find_free_signs(scores, known)
    regions = scores[REGION]
    text = regions.argmax(axis=0) == REGIONS.index("text")
    error = scale_error(signs)
    return FreeLook(signs, strength.max(axis=2) > _INK, text, scale, SIGN_PX * error, 1, error != 1.0)


def padded(strength: U8) -> F32:
    """The network's input, shape (1, 3, h, w): ink strengths 0..1, nothing beyond the picture.

    Parameters
    ----------
    strength : ndarray of uint8, shape (H, W, 3)
        255 less the flattened colours.
    """
    rows, cols = (-(-side // _MULTIPLE) * _MULTIPLE for side in strength.shape[:2])
    picture = np.zeros((1, 3, rows, cols), dtype=np.float32)
    picture[0, :, : strength.shape[0], : strength.shape[1]] = np.moveaxis(strength, 2, 0)
    picture /= 255.0
    return picture
