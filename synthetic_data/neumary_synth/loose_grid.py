"""How loosely a scribe keeps to steps that no line marks.

On a staff of one or two lines, or of none, most steps exist in the scribe's mind only. A head on
an inked line sits on it; the further away its step, the more its height depends on the scribe:
a way of spacing steps too narrowly or widely (one for a page), a drift along the line, and a
scatter from neume to neume and head to head. All grow with the distance; the sizes are design
figures, set so that a fifth off the nearest line one head in four or five is nearer to another
step (no published measurement).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

_FURTHEST: Final = 6.0  # steps from which on the looseness grows no more
_NO_LINE: Final = 1.2  # steps by which a letter at the edge guides worse than a line
_DRIFT_SPACES: Final = 9.0  # length of the slow drift along a line
_NEUME_SPACES: Final = 1.6
_HEAD_SPACES: Final = 0.45


@dataclass(frozen=True, slots=True)
class Looseness:
    """One scribe's, as shares of a step per step away from what guides the eye.

    Attributes
    ----------
    wide_above, wide_below : float
        By how much steps above and below the guides are spaced too widely.
    drift, neume, head : float
        Standard deviations: slow drift, from neume to neume, from head to head.
    at_rest : float
        Standard deviation on a guide itself, in steps.
    """

    wide_above: float
    wide_below: float
    drift: float
    neume: float
    head: float
    at_rest: float

    @classmethod
    def sample(cls, rng: np.random.Generator) -> Looseness:
        """Draw one scribe's; some are neat."""
        size = float(rng.uniform(0.3, 1.8))
        above, below = rng.normal(0, 0.07, 2) + rng.normal(0, 0.04)
        return cls(
            size * float(above), size * float(below), 0.06 * size, 0.055 * size, 0.035 * size, 0.05 * size
        )


def loose_rows(
    row_of: Callable[[float, float], float],
    looseness: Looseness,
    guides: Sequence[float],
    inked: bool,
    span: tuple[float, float],
    space_px: float,
    rng: np.random.Generator,
) -> Callable[[float, float], float]:
    """Rows of steps as a scribe writes them who sees only some of the grid.

    Parameters
    ----------
    row_of : callable
        (step, col) -> row of the whole grid, px.
    looseness : Looseness
    guides : sequence of float, at least one
        Steps that guide the eye.
    inked : bool
        Whether guides are lines; False for letters at the edge.
    span : (float, float)
        First and last column, px.
    space_px : float
    rng : numpy Generator

    Returns
    -------
    callable
        As `row_of`.
    """
    ways = [
        _wave(rng, span, length * space_px, size)
        for length, size in (
            (_DRIFT_SPACES, looseness.drift),
            (_NEUME_SPACES, looseness.neume),
            (_HEAD_SPACES, looseness.head),
        )
    ]
    rest = _wave(rng, span, _NEUME_SPACES * space_px, looseness.at_rest)

    def loose(step: float, col: float) -> float:
        away = step - min(guides, key=lambda g: (abs(step - g), g))
        wide = looseness.wide_above if away > 0 else looseness.wide_below
        grown = _FURTHEST * np.tanh(away / _FURTHEST)
        off = wide * grown + rest(col)
        size = abs(grown) + (0.0 if inked else _NO_LINE)
        off += size * sum(way(col) for way in ways)
        return float(row_of(step + off, col))

    return loose


def _wave(
    rng: np.random.Generator, span: tuple[float, float], length_px: float, size: float
) -> Callable[[float], float]:
    """Noise along a line: independent values a length apart, straight between them."""
    left, right = span[0] - 4 * length_px, span[1] + 4 * length_px
    knots = np.arange(left, right + length_px, length_px)
    values: F64 = rng.normal(0, size, len(knots))
    return lambda col: float(np.interp(col, knots, values))
