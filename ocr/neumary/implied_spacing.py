"""The spacing of steps that a scribe had in mind, fitted to a whole page.

Beyond the seen lines steps may be set too narrowly or too widely, by one measure all over a page.
Heads of one page betray it: at the right spacing their heights crowd at whole degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_USUAL_SPREAD: Final = 0.08  # of the spacing about the lines' own, a share (design figure)
_GRID: Final = np.linspace(-0.24, 0.24, 49)
_LEAST_HEADS: Final = 12
_SHARPENED: Final = 0.5  # exponent on the network's probabilities
_FLOOR: Final = 0.02
_WIDTH0, _WIDTH1 = 0.22, 0.05  # degrees: scatter of heads about their step, and how it grows
_FURTHEST: Final = 12
_LEVELS: Final = np.linspace(-0.9, 0.9, 19)
_TILTS: Final = np.linspace(-1.0, 1.0, 11)
_LEVEL_SPREAD, _TILT_SPREAD = 0.2, 0.3  # degrees: how far a row's letters and words mislead (design figures)


@dataclass(frozen=True, slots=True)
class Spacing:
    """By what share steps above and below the seen lines are wider than those between."""

    above: float = 0.0
    below: float = 0.0

    def mended(self, beyond: float) -> float:
        """Degrees beyond the outermost line, signed, as the scribe meant them."""
        return beyond / (1 + (self.above if beyond > 0 else self.below))


@dataclass(frozen=True, slots=True)
class FarHead:
    """A head beyond the seen lines.

    Attributes
    ----------
    beyond : float
        Degrees over the top line (positive) or under the bottom line (negative).
    network : tuple of (int, float)
        The same in whole degrees, with the network's probabilities.
    """

    beyond: float
    network: tuple[tuple[int, float], ...]


EVEN: Final = Spacing()
"""Steps as wide as between the lines."""


def fit_spacing(heads: Sequence[FarHead]) -> Spacing:
    """Spacing of a page's scribe above and below the lines; 0 where few heads tell."""
    above = _fit([head for head in heads if head.beyond > 0])
    below = _fit([head for head in heads if head.beyond < 0])
    return Spacing(above, below)


def _fit(heads: Sequence[FarHead]) -> float:
    if len(heads) < _LEAST_HEADS:
        return 0.0
    degrees = np.arange(-_FURTHEST, _FURTHEST + 1)
    beyond = np.array([head.beyond for head in heads])
    network = np.full((len(heads), len(degrees)), _FLOOR)
    for i, head in enumerate(heads):
        for degree, p in head.network:
            if abs(degree) <= _FURTHEST:
                network[i, degree + _FURTHEST] = max(p, _FLOOR) ** _SHARPENED
    width = _WIDTH0 + _WIDTH1 * np.minimum(np.abs(degrees), 6)
    worth = []
    for share in _GRID:
        apart = (beyond[:, None] / (1 + share) - degrees[None, :]) / width[None, :]
        seen = (network * np.exp(-0.5 * apart**2) / width).sum(axis=1)
        worth.append(float(np.log(seen + 1e-6).sum()) - 0.5 * (share / _USUAL_SPREAD) ** 2)
    # The mean under the posterior, not its peak: flat likelihoods then move little.
    odds: F64 = np.exp(np.array(worth) - max(worth))
    return float((odds * _GRID).sum() / odds.sum())


def fit_course(heights: F64, along: F64) -> tuple[float, float]:
    """By how much a row of heads stands too high, where letters and words alone lay its course.

    Parameters
    ----------
    heights : ndarray of float64, shape (n,)
        Degrees above a height that a letter gives.
    along : ndarray of float64, shape (n,)
        Where each head stands, 0 at the letters, 1 at the row's end.

    Returns
    -------
    level, tilt : float
        Degrees to take from each height: level + tilt * along. Means under the posterior, so that
        a row whose heads do not crowd at whole degrees moves little.
    """
    if len(heights) < _LEAST_HEADS:
        return 0.0, 0.0
    level, tilt = (grid.ravel() for grid in np.meshgrid(_LEVELS, _TILTS, indexing="ij"))
    at = heights[None, :] - level[:, None] - tilt[:, None] * along[None, :]
    away = at - np.floor(at + 0.5)
    width = _WIDTH0 + _WIDTH1
    crowd = sum(np.exp(-0.5 * ((away + k) / width) ** 2) for k in (-1, 0, 1))
    worth = np.log(crowd).sum(axis=1) - 0.5 * ((level / _LEVEL_SPREAD) ** 2 + (tilt / _TILT_SPREAD) ** 2)
    odds = np.exp(worth - worth.max())
    odds /= odds.sum()
    return float((odds * level).sum()), float((odds * tilt).sum())
