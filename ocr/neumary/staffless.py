"""Signs without staff lines: score maps of a whole page -> signs with names and boxes.

A sign's middle is a peak of the heat map (Zhou et al., "Objects as points",
arXiv:1904.07850, 2019); its box, name and additions are read at the peak. Of boxes that
cover the same ink the surer one stays (non-maximum suppression).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary_models.staffless_outputs import (
    EPISEMA,
    EXTENT,
    EXTENT_UNIT,
    HEAT,
    LIQUESCENT,
    NAME,
    STAFFLESS_NAMES,
    STRIDE,
)

F32 = npt.NDArray[np.float32]

_LEAST_P: Final = 0.02  # of a candidate
_SAME_IOU: Final = 0.45  # two boxes that overlap more are the same sign
_INSIDE: Final = 0.8  # share of a small box inside a surer larger one that makes it a part of that


@dataclass(frozen=True, slots=True)
class FreeCalibration:
    """What makes raw scores probabilities; fitted on hands kept out of training.

    Attributes
    ----------
    heat_slope, heat_offset : float
        Logistic calibration of a sign's presence (Platt, 1999).
    name_temperature : float
        Temperature of the names (Guo et al., "On calibration of modern neural networks", ICML 2017).
    believe_p : float
        Presence from which a candidate counts as a sign.
    """

    heat_slope: float = 1.0
    heat_offset: float = 0.0
    name_temperature: float = 1.0
    believe_p: float = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FreeCandidate:
    """Something that may be a staffless sign; lengths in px of the network's input.

    Attributes
    ----------
    row, col : float
        Middle of the box.
    box : tuple of float
        Top, left, bottom, right.
    p_sign : float
        Probability that a sign is there at all.
    names : ndarray of float32, shape (len(STAFFLESS_NAMES),)
        Probabilities of the names, given that a sign is there.
    p_episema, p_liquescent : float
    """

    row: float
    col: float
    box: tuple[float, float, float, float]
    p_sign: float
    names: F32
    p_episema: float
    p_liquescent: float

    @property
    def name(self) -> str:
        """The likeliest name."""
        return STAFFLESS_NAMES[int(self.names.argmax())]


def scaled(signs: Sequence[FreeCandidate], factor: float) -> list[FreeCandidate]:
    """The signs of a picture another size of which is `factor` times as large."""
    return [
        replace(
            sign,
            row=sign.row * factor,
            col=sign.col * factor,
            box=(
                sign.box[0] * factor, sign.box[1] * factor, sign.box[2] * factor, sign.box[3] * factor,
            ),
        )
        for sign in signs
    ]  # fmt: skip


def merge_signs(one: Sequence[FreeCandidate], other: Sequence[FreeCandidate]) -> list[FreeCandidate]:
    """Signs seen in either of two looks; where both see a sign, the first look's reading stays."""
    both = [*one, *other]
    if not both:
        return []
    return [both[k] for k in _suppress(np.array([sign.box for sign in both]))]


def _sigmoid(score: F32) -> F32:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(score, -30, 30))), dtype=np.float32)


def find_free_signs(
    scores: F32, calibration: FreeCalibration | None = None, least_p: float | None = None
) -> list[FreeCandidate]:
    """Signs in the score maps of one page.

    Parameters
    ----------
    scores : ndarray of float32, shape (CHANNELS_OUT, h, w)
        Raw scores, laid out as in `neumary_models.staffless_outputs`.
    calibration : FreeCalibration, optional
    least_p : float, optional
        Presence a candidate must reach; the calibration's `believe_p` where left out.

    Returns
    -------
    list of FreeCandidate
        The surest first; none covers another.
    """
    calibration = calibration or FreeCalibration()
    least = calibration.believe_p if least_p is None else least_p
    heat = scores[HEAT][0]
    rows, cols = _peaks(heat)
    p_sign = _sigmoid(calibration.heat_slope * heat[rows, cols] + calibration.heat_offset)
    order = np.argsort(-p_sign, kind="stable")
    order = order[p_sign[order] >= max(least, _LEAST_P)]
    rows, cols, p_sign = rows[order], cols[order], p_sign[order]
    boxes = _boxes(scores[EXTENT][:, rows, cols], rows, cols)
    kept = _suppress(boxes)
    names = scores[NAME][:, rows, cols].T / calibration.name_temperature
    names = np.exp(names - names.max(axis=1, keepdims=True)) if len(names) else names
    episema = _sigmoid(scores[EPISEMA][0][rows, cols])
    liquescent = _sigmoid(scores[LIQUESCENT][0][rows, cols])
    out = []
    for k in kept:
        top, left, bottom, right = (float(edge) for edge in boxes[k])
        out.append(
            FreeCandidate(
                (top + bottom) / 2, (left + right) / 2, (top, left, bottom, right), float(p_sign[k]),
                np.asarray(names[k] / names[k].sum(), dtype=np.float32), float(episema[k]),
                float(liquescent[k]),
            )
        )  # fmt: skip
    return out


def _peaks(heat: F32) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Cells higher than their eight neighbours, and not hopeless."""
    import cv2

    highest = cv2.dilate(heat, np.ones((3, 3), np.uint8))
    rows, cols = np.nonzero((heat >= highest) & (heat > -6.0))
    return rows, cols


def _boxes(extent: F32, rows: npt.NDArray[np.intp], cols: npt.NDArray[np.intp]) -> npt.NDArray[np.float64]:
    """Top, left, bottom, right in input px, (n, 4)."""
    reach = STRIDE * EXTENT_UNIT * np.exp(np.clip(extent.astype(np.float64), -4, 3))
    row, col = STRIDE * rows + 0.5, STRIDE * cols + 0.5
    return np.stack([row - reach[0], col - reach[1], row + reach[2], col + reach[3]], axis=1)


def overlaps(box: npt.NDArray[np.float64], others: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Shared area of a box (4,) and others (n, 4)."""
    high = np.minimum(box[2], others[:, 2]) - np.maximum(box[0], others[:, 0])
    wide = np.minimum(box[3], others[:, 3]) - np.maximum(box[1], others[:, 1])
    return np.asarray(np.maximum(high, 0) * np.maximum(wide, 0), dtype=np.float64)


def _suppress(boxes: npt.NDArray[np.float64]) -> list[int]:
    """Indices of the boxes that stay; `boxes` surest first."""
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    kept: list[int] = []
    for k in range(len(boxes)):
        if kept:
            shared = overlaps(boxes[k], boxes[kept])
            same = shared / (area[k] + area[kept] - shared) > _SAME_IOU
            part = (shared > _INSIDE * area[k]) & (area[k] > 0.35 * area[kept])
            if bool((same | part).any()):
                continue
        kept.append(k)
    return kept
