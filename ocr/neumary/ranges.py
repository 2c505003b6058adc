"""Pitch as a range where letters alone, or a line and letters beside it, give heights.

Staves whose lines speak for themselves are read by `neumary.coloured_pitch`. Lines and letters
fix heights; a head between them is read by its height, finer near a fixed height, wider away from
it. Where a row of neumes was read between virtual lines (`neumary.letter_staves`), its readings
carry steps above the height of F, and those are used; else plain geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from neumary.coloured_pitch import LINE_DEGREES, ranged
from neumary.gamut import CLEF_DEGREES, Sign
from neumary.range_table import WITHOUT_NETWORK, degrees_at
from neumary.types import Pitch, Reading, Staff, StaffLine
from neumary_models.labels import CLEFS

F_DEGREE: Final = CLEF_DEGREES["clef_f"]
"""Degree of step 0 where a staff has no lines."""

_ON_LINE_SPACES: Final = 0.5  # a letter this near to a line names the line
_LETTER_DOUBT: Final = 0.1  # chance that a letter was misread whatever the reading says (design figure)
_LEAST_P: Final = 0.02


@dataclass(frozen=True, slots=True)
class Anchor:
    """A known height: a line or a letter."""

    degree: int
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
        if sign.is_clef and not sign.is_faint:
            degree = CLEF_DEGREES[sign.label]
            near = [x for x in staff.lines if _distance(x, sign) < _ON_LINE_SPACES * staff.space_px]
            if near:
                found.append(Anchor(degree, line=min(near, key=lambda x: _distance(x, sign))))
            else:
                found.append(Anchor(degree, row=sign.glyph.row))
    for line in staff.lines:
        if line.colour in LINE_DEGREES and not any(a.line is line for a in found):
            found.append(Anchor(LINE_DEGREES[line.colour], line=line))
    kept: list[Anchor] = []
    for anchor in sorted(found, key=lambda a: a.line is None):  # stable: letters before colours
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


def letter_bases(signs: Sequence[Sign]) -> tuple[tuple[int, float], ...]:
    """Degree of step 0 on a row without lines as a distribution, best first; () without a letter.

    Parameters
    ----------
    signs : sequence of Sign
        Those of one row. Its letters were named together, so that step 0 is F; each may still
        be another letter, and then all of the row is off by their distance.
    """
    letters = [sign.reading for sign in signs if sign.is_clef and not sign.is_faint]
    if not letters:
        return ()
    weights: dict[int, float] = {}
    seen = [_shifts(reading) for reading in letters]
    for shift in {shift for one in seen for shift in one}:
        weights[shift] = 1.0
        for one in seen:
            weights[shift] *= (1 - _LETTER_DOUBT) * one.get(shift, 0.0) + _LETTER_DOUBT / 7
    total = sum(weights.values())
    ranked = sorted(weights, key=lambda shift: (-weights[shift], abs(shift), shift))
    return tuple((F_DEGREE + shift, p) for shift in ranked if (p := weights[shift] / total) >= _LEAST_P)


def _shifts(reading: Reading) -> dict[int, float]:
    """By how many degrees a row is off if a letter is one of its rivals."""
    if reading.by == "human":
        return {0: 1.0}
    own = CLEF_DEGREES[reading.label]
    odds = {0: reading.confidence}
    for label, p in reading.rivals:
        if label in CLEFS:
            odds[CLEF_DEGREES[label] - own] = odds.get(CLEF_DEGREES[label] - own, 0.0) + p
    total = sum(odds.values()) or 1.0
    return {shift: p / total for shift, p in odds.items()}


def ranged_pitch(
    staff: Staff,
    anchors: Sequence[Anchor],
    row: float,
    col: float,
    steps: Sequence[tuple[int, float]] = (),
    bases: Sequence[tuple[int, float]] = (),
) -> Pitch:
    """Pitch of a head as a distribution over degrees.

    Parameters
    ----------
    staff : Staff
        Its `space_px` gives the scale where one height only is known.
    anchors : sequence of Anchor, at least one
        From `find_anchors`.
    row, col : float
        Centre of the head, px.
    steps : sequence of (int, float)
        Steps above F, with probabilities, where the row was read between virtual lines.
    bases : sequence of (int, float)
        From `letter_bases`; needed for `steps`.

    Returns
    -------
    Pitch
        ``ranged``, alternatives best first; their probabilities sum to 1 before rounding.
    """
    if steps and bases and not staff.lines:
        return ranged(dict(steps), bases)
    rows = [anchor.row_at(col) for anchor in anchors]
    nearest = min(range(len(anchors)), key=lambda i: abs(rows[i] - row))
    degree_px = staff.space_px / 2
    if len(anchors) > 1:
        other = min((i for i in range(len(anchors)) if i != nearest), key=lambda i: abs(rows[i] - row))
        apart = anchors[other].degree - anchors[nearest].degree
        degree_px = max((rows[nearest] - rows[other]) / apart, 1e-6)
    away = (rows[nearest] - row) / degree_px
    model = WITHOUT_NETWORK["letters" if anchors[nearest].line is None else "one-line"]
    return ranged(degrees_at(model, away, abs(away)), [(anchors[nearest].degree, 1.0)])
