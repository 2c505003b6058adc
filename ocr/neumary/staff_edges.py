"""Outer lines that the leaf map left out though the ink has them as clearly as the rest of their staff."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.leaf_map import LeafMap
from neumary.staff_bands import MOST_LINES
from neumary.staff_lines import Course, InkStrips, follow_rows, heights_on
from neumary.staff_shape import line_look
from neumary.types import InkMap

_LEAST_LINES: Final = 3  # fewer lines give no measure of their space
_SEEN: Final = 0.8  # share of the staff's length on which an added line is seen
_AS_SEEN: Final = 0.9  # of what the staff's own lines are
_AS_STRONG: Final = 0.7  # of the weakest of the staff's own lines
_OFF_SPACES: Final = 0.12  # from where the staff's space has it, on average
_APART_SPACES: Final = 0.7  # from any line of another staff
_AS_THICK: Final = 1.6


def with_edge_lines(
    ink: InkMap, strips: InkStrips, seen: LeafMap, course: Course, others: Sequence[Course]
) -> Course:
    """A staff with a line more above or below, where the ink shows one that is just like its own.

    Parameters
    ----------
    ink : InkMap
    strips : InkStrips
    seen : LeafMap
    course : Course
    others : sequence of Course
        All staves of the page; the lines of none of them are taken.

    Returns
    -------
    Course
        With up to 5 lines; itself where nothing was added, or where it has fewer than 3 lines.
    """
    for above in (True, False):
        if not _LEAST_LINES <= len(course.rows) < MOST_LINES:
            break
        more = _with_line(strips, seen, course, above)
        if more is not None and _is_free(more, above, course, others) and _is_alike(ink, more, above):
            course = more
    return course


def _with_line(strips: InkStrips, seen: LeafMap, course: Course, above: bool) -> Course | None:
    space = (course.rows[0] - course.rows[-1]) / (len(course.rows) - 1)
    thought = course.rows[-1] - space if above else course.rows[0] + space
    if thought.min() < 0 or thought.max() > strips.total.shape[1] - 1:
        return None
    rows = [*course.rows, thought] if above else [thought, *course.rows]
    first = round((float(course.cols[0]) + 0.5) / strips.strip_px - 0.5)
    more = follow_rows(strips, seen, np.array(rows), first, course.space)
    new, own = (-1, slice(0, -1)) if above else (0, slice(1, None))
    shares = more.seen.mean(axis=1)
    strong = heights_on(strips, more.rows, first, course.space)
    off = np.abs(more.rows[new] - thought).mean() / course.space
    fits = (
        shares[new] >= max(_SEEN, _AS_SEEN * float(np.median(shares[own])))
        and strong[new] >= _AS_STRONG * strong[own].min()
        and off <= _OFF_SPACES
    )
    return more if fits else None


def _is_free(more: Course, above: bool, course: Course, others: Sequence[Course]) -> bool:
    row = more.rows[-1 if above else 0]
    for other in others:
        if other is course:
            continue
        low, high = max(more.cols[0], other.cols[0]), min(more.cols[-1], other.cols[-1])
        if low > high:
            continue
        at = np.linspace(low, high, 16)
        mine = np.interp(at, more.cols, row)
        gaps = [np.abs(np.interp(at, other.cols, line) - mine).min() for line in other.rows]
        if min(gaps) < _APART_SPACES * course.space:
            return False
    return True


def _is_alike(ink: InkMap, more: Course, above: bool) -> bool:
    looks = [line_look(ink, more.cols, row, more.space) for row in more.rows]
    colour, thick = looks.pop(-1 if above else 0)
    usual = float(np.median([other for _, other in looks]))
    colours = {other for other, _ in looks}
    return colour in colours and usual / _AS_THICK <= thick <= usual * _AS_THICK
