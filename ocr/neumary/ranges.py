"""Pitch as a range where letters alone, or lines and letters beside them, give heights.

Staves whose lines speak for themselves are read by `neumary.coloured_pitch`.
Lines and letters fix two heights; a head between them is read by its height, finer near a
fixed height, wider away from it. The widths below are design figures without a source,
chosen so that a head on a line is nearly sure and one a fifth away is open to a third.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from neumary.coloured_pitch import LINE_DEGREES
from neumary.gamut import CLEF_DEGREES, Sign
from neumary.types import Pitch, Staff, StaffLine

_SPREAD_LINE: Final = 0.3  # degrees, on a line
_SPREAD_LETTER: Final = 0.6  # degrees, at the height of a letter that stands on no line
_SPREAD_BETWEEN: Final = 0.15  # degrees per degree away from the nearest fixed height, two heights known
_SPREAD_ALONE: Final = 0.3  # the same with one height only: the scale itself is a guess
_ON_LINE_SPACES: Final = 0.5  # a letter this near to a line names the line
_LEAST_P: Final = 0.02


@dataclass(frozen=True, slots=True)
class Anchor:
    """A known height: a line or a letter."""

    degree: int
    spread: float  # degrees
    line: StaffLine | None = None
    row: float = 0.0

    def row_at(self, col: float) -> float:
        """Row (px) of this height at a column."""
        return self.line.row_at(col) if self.line is not None else self.row


def find_anchors(staff: Staff, signs: Sequence[Sign]) -> tuple[Anchor, ...]:
    """Known heights of a staff of few lines, lowest pitch first.

    Letters beat line colours. Two anchors of one degree keep the first; anchors whose order
    on the leaf contradicts their pitch are left out after the most trustworthy one.
    """
    found: list[Anchor] = []
    for sign in signs:
        if sign.is_clef:
            degree = CLEF_DEGREES[sign.label]
            near = [x for x in staff.lines if _distance(x, sign) < _ON_LINE_SPACES * staff.space_px]
            if near:
                line = min(near, key=lambda x: _distance(x, sign))
                found.append(Anchor(degree, _SPREAD_LINE, line=line))
            else:
                found.append(Anchor(degree, _SPREAD_LETTER, row=sign.glyph.row))
    for line in staff.lines:
        if line.colour in LINE_DEGREES and not any(a.line is line for a in found):
            found.append(Anchor(LINE_DEGREES[line.colour], _SPREAD_LINE, line=line))
    kept: list[Anchor] = []
    for anchor in sorted(found, key=lambda a: a.spread):  # stable: letters before colours
        if all(_agree(anchor, other) for other in kept):
            kept.append(anchor)
    return tuple(sorted(kept, key=lambda a: a.degree))


def _distance(line: StaffLine, sign: Sign) -> float:
    return abs(line.row_at(sign.glyph.col) - sign.glyph.row)


def _agree(one: Anchor, other: Anchor) -> bool:
    if one.degree == other.degree:
        return False
    col = one.line.cols[0] if one.line else other.line.cols[0] if other.line else 0.0
    return (one.degree > other.degree) == (one.row_at(col) < other.row_at(col))


def ranged_pitch(staff: Staff, anchors: Sequence[Anchor], row: float, col: float) -> Pitch:
    """Pitch of a head as a distribution over degrees.

    Parameters
    ----------
    staff : Staff
        Its `space_px` gives the scale where one height only is known.
    anchors : sequence of Anchor, at least one
        From `find_anchors`.
    row, col : float
        Centre of the head, px.

    Returns
    -------
    Pitch
        ``ranged``, alternatives best first; their probabilities sum to 1 before rounding.
    """
    mean, spread = _height(staff, anchors, row, col)
    low, high = math.floor(mean - 3 * spread), math.ceil(mean + 3 * spread)
    weights = {d: _mass(d, mean, spread) for d in range(low, high + 1)}
    total = sum(weights.values())
    ranked = sorted(((w / total, -d) for d, w in weights.items() if w / total >= _LEAST_P), reverse=True)
    alternatives = tuple((-d, 0, round(p, 4)) for p, d in ranked)
    return Pitch(certainty="ranged", degree=alternatives[0][0], alternatives=alternatives)


def _height(staff: Staff, anchors: Sequence[Anchor], row: float, col: float) -> tuple[float, float]:
    """Mean and spread in degrees."""
    rows = [anchor.row_at(col) for anchor in anchors]
    nearest = min(range(len(anchors)), key=lambda i: abs(rows[i] - row))
    anchor = anchors[nearest]
    if len(anchors) == 1:
        degree_px, widening = staff.space_px / 2, _SPREAD_ALONE
    else:
        other = min((i for i in range(len(anchors)) if i != nearest), key=lambda i: abs(rows[i] - row))
        degree_px = (rows[nearest] - rows[other]) / (anchors[other].degree - anchor.degree)
        widening = _SPREAD_BETWEEN
    away = (rows[nearest] - row) / max(degree_px, 1e-6)
    return anchor.degree + away, anchor.spread + widening * abs(away)


def _mass(degree: int, mean: float, spread: float) -> float:
    """Normal probability of the degree's unit interval."""
    scale = spread * math.sqrt(2)
    return 0.5 * (math.erf((degree + 0.5 - mean) / scale) - math.erf((degree - 0.5 - mean) / scale))
