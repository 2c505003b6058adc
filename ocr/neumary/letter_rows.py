"""Rows of neumes without staff lines: found over the lines of text they are sung to.

Signs stand in the free space above their words. Each head goes to the line of text under it, and
a line of text with enough heads over it carries a row of neumes that runs parallel to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.text_lines import TextLine

F64 = npt.NDArray[np.float64]

_USUAL_PITCH: Final = 5.9  # staff spaces from row to row (rendered pages 5.3 to 6.5)
_WIDE_SHARE: Final = 0.75  # of the widest usual gap between lines of text: there is music in it
_FREE_SPACES: Final = 2.6  # free room over a line of text that may hold neumes
USUAL_RISE: Final = 2.8
"""Staff spaces from the middle of the words up to that of the neumes."""
_LEAST_RISE, _MOST_RISE = 0.5, 6.5  # spaces: how far over the middle of its words a head stands
_ON_LINE_SPACES: Final = 0.6
_ON_LINE: Final = 0.2  # heads a space of its length on a line of text: then it is none
_ON_OVER: Final = 0.5  # and so many for each head over it
_LEAST_PITCH: Final = 3.2  # spaces from row to row at least
_UNDER_SPACES: Final = 4.5
_LEAST_GAPS: Final = 2
_ASIDE_SPACES: Final = 12.0  # heads so far beyond a line's ends belong to other words
_LEAST_HEADS: Final = 4
_LEAST_LETTER_RISE, _MOST_LETTER_RISE = -0.3, 7.5  # spaces: how far over the words a letter stands
_OUT_SPACES: Final = 4.0  # how far out of its row's left end
_OUT_SURE_SPACES: Final = 10.0  # and if it is beyond doubt one: an initial may stand between
_EDGE_SPACES: Final = 6.0  # and how far in
_HEADS_LEFT: Final = 1  # heads that may stand left of a letter
_KNOTS: Final = 24


@dataclass(frozen=True, slots=True, eq=False)
class NeumeRow:
    """A row of neumes; lengths in cells of the map.

    Attributes
    ----------
    cols : ndarray of float64, shape (n,)
        From the first sign to the last.
    text : ndarray of float64, shape (n,)
        Row of the middle of its words.
    middle : ndarray of float64, shape (n,)
        Row of the middle of its signs, parallel to `text`.
    top : float
        How far the highest sign stands over the words.
    heads : int
    lead : float
        Column right of which no letter that gives a height may stand.
    """

    cols: F64
    text: F64
    middle: F64
    top: float
    heads: int
    lead: float


def guess_space(lines: Sequence[TextLine], guess: float) -> float:
    """Staff space in cells by the distances between lines of text with room for neumes.

    Parameters
    ----------
    lines : sequence of TextLine
    guess : float
        Handed back where no two lines tell.
    """
    gaps = [gap for gap in (_gap_above(line, lines) for line in lines) if gap is not None]
    if len(gaps) < 2:
        return guess
    wide = [gap for gap in gaps if gap >= _WIDE_SHARE * float(np.quantile(gaps, 0.8))]
    return float(np.median(wide)) / _USUAL_PITCH


def _gap_above(line: TextLine, lines: Sequence[TextLine]) -> float | None:
    """Distance to the next line of text above; None under no other."""
    middle = (line.cols[0] + line.cols[-1]) / 2
    gaps = [
        float(line.row_at(middle)) - float(other.row_at(middle))
        for other in lines
        if other is not line and other.cols[0] <= line.cols[-1] and other.cols[-1] >= line.cols[0]
    ]
    above = [gap for gap in gaps if gap > 0]
    return min(above) if above else None


def rows_to_try(lines: Sequence[TextLine], space: float) -> list[NeumeRow]:
    """Where rows of neumes may stand: over each line of text with room above it, longest text first."""
    roomy = []
    for line in lines:
        gap = _gap_above(line, lines)
        if gap is None or gap >= _FREE_SPACES * space:
            roomy.append(line)
    out = []
    for line in sorted(roomy, key=lambda x: (-x.length, float(x.rows.mean()))):
        beside = [x for x in roomy if x.cols[0] <= line.cols[-1] and x.cols[-1] >= line.cols[0]]
        # Letters stand where other words begin, too: an initial may hold the row's own words back.
        others = [x for x in lines if x.cols[0] <= line.cols[-1] and x.cols[-1] >= line.cols[0]]
        left = min(line.cols[0], float(np.quantile([x.cols[0] for x in others], 0.25)))
        right = max(line.cols[-1], float(np.quantile([x.cols[-1] for x in beside], 0.75)))
        at = np.linspace(left, right, _KNOTS)
        words = line.row_at(at)
        out.append(NeumeRow(at, words, words - USUAL_RISE * space, _MOST_RISE * space, 0, right))
    return out


def rows_over(lines: Sequence[TextLine], rows: F64, cols: F64, space: float) -> list[NeumeRow]:
    """Rows of neumes of a page, from top to bottom.

    Parameters
    ----------
    lines : sequence of TextLine
    rows, cols : ndarray of float64, shape (n,)
        Where heads were read, in cells.
    space : float
        Staff space in cells.

    Returns
    -------
    list of NeumeRow
    """
    left = [
        line
        for line in lines
        if not (_is_music(line, rows, cols, space) and _has_words_under(line, lines, space))
    ]
    while True:
        found = _assigned(left, rows, cols, space)
        spare = _crowded([line for line, _ in found], space)
        if spare is None:
            break
        left = [line for line in left if line is not spare]
    return sorted((row for _, row in found), key=lambda row: (float(row.middle.mean()), float(row.cols[0])))


def _crowded(lines: Sequence[TextLine], space: float) -> TextLine | None:
    """The shorter of two lines of text too near to each other to have neumes over both."""
    for line in sorted(lines, key=lambda x: (x.length, float(x.rows.mean()))):
        middle = (line.cols[0] + line.cols[-1]) / 2
        for other in lines:
            apart = abs(float(other.row_at(middle)) - float(line.row_at(middle)))
            over = other.cols[0] <= middle <= other.cols[-1]
            if other is not line and over and apart < _LEAST_PITCH * space:
                return line
    return None


def pitch_space(rows: Sequence[NeumeRow], space: float) -> float | None:
    """Staff space by the distances from row to row; None where too few rows follow each other."""
    at = sorted(float(row.text.mean()) for row in rows)
    gaps = [gap for gap in np.diff(at) if 0.75 * _USUAL_PITCH < gap / space < 1.35 * _USUAL_PITCH]
    return float(np.median(gaps)) / _USUAL_PITCH if len(gaps) >= _LEAST_GAPS else None


def _assigned(
    lines: Sequence[TextLine], rows: F64, cols: F64, space: float
) -> list[tuple[TextLine, NeumeRow]]:
    """Each head to the line of text under it; the lines that carry a row of neumes."""
    if not lines or not len(rows):
        return []
    below = np.array([line.row_at(cols) for line in lines]) - rows  # (lines, heads): how far under it
    below[below < _LEAST_RISE * space] = np.inf
    for line, rise in zip(lines, below, strict=True):
        aside = _ASIDE_SPACES * space
        rise[(cols < line.cols[0] - aside) | (cols > line.cols[-1] + aside)] = np.inf
    found = []
    for k, line in enumerate(lines):
        own = (below.argmin(axis=0) == k) & (below[k] <= _MOST_RISE * space)
        if own.sum() < _LEAST_HEADS:
            continue
        at = np.linspace(min(cols[own].min(), line.cols[0]), cols[own].max(), _KNOTS)
        words = line.row_at(at)
        rise = float(np.median(below[k][own]))
        top = float(np.quantile(below[k][own], 0.95))
        lead = float(np.sort(cols[own])[_HEADS_LEFT])
        found.append((line, NeumeRow(at, words, words - rise, top, int(own.sum()), lead)))
    return found


def row_under(
    rows: Sequence[NeumeRow], row: float, col: float, space: float, *, sure: bool = False
) -> int | None:
    """Which row's words a letter stands over, left of its notes; None if no row's."""
    out = (_OUT_SURE_SPACES if sure else _OUT_SPACES) * space
    rises = [float(np.interp(col, x.cols, x.text)) - row for x in rows]
    near = [
        (rise, k) for k, (x, rise) in enumerate(zip(rows, rises, strict=True))
        if _LEAST_LETTER_RISE * space <= rise <= _MOST_LETTER_RISE * space
        and x.cols[0] - out <= col <= min(x.lead, x.cols[0] + _EDGE_SPACES * space)
    ]  # fmt: skip
    return min(near)[1] if near else None


def _has_words_under(line: TextLine, lines: Sequence[TextLine], space: float) -> bool:
    """Whether another line of text runs so near under a line that both cannot have neumes of their own."""
    middle = (line.cols[0] + line.cols[-1]) / 2
    return any(
        0 < float(other.row_at(middle)) - float(line.row_at(middle)) < _UNDER_SPACES * space
        for other in lines
        if other.cols[0] <= line.cols[-1] and other.cols[-1] >= line.cols[0]
    )


def _is_music(line: TextLine, rows: F64, cols: F64, space: float) -> bool:
    """Whether a line taken for text is a row of heads."""
    near = (cols >= line.cols[0] - space) & (cols <= line.cols[-1] + space)
    rise = line.row_at(cols) - rows
    on = near & (np.abs(rise) < _ON_LINE_SPACES * space)
    over = near & (rise >= _ON_LINE_SPACES * space) & (rise < _MOST_RISE * space)
    return bool(on.sum() > max(_ON_LINE * line.length / space, _ON_OVER * over.sum()))
