"""Staves of two columns taken for one, parted where the page has a gutter; one staff taken for two."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.columns import Extent, is_gutter
from neumary.lines import runs
from neumary.staff_lines import Course

_BARE_SPACES: Final = 1.0  # hardly a line is seen for so long
_HARDLY_SEEN: Final = 0.35  # share of the lines
_LEAST_SPACES: Final = 3.0  # pieces shorter than this are no staves
_TOUCHING_SPACES: Final = 3.0  # staves side by side that end and begin so near to one another meet
_INITIAL_SPACES: Final = 7.0  # or so near, where an initial hides where the right one begins
_LEVEL_SPACES: Final = (
    4.0  # how much higher or lower a neighbour may stand: columns need not be ruled in step
)
_MEETINGS: Final = 3  # pairs of staves that show where columns meet, and more than run across
_ON_LINE: Final = 2 / 3  # of all meetings that lie on the gutter
_OUT_SPACES: Final = 5.0  # a staff that goes on so far on either side of a gutter runs over it
_TWICE_SHARE: Final = 0.5  # of the shorter one's width that both have
_TWICE_SPACES: Final = 0.5  # a line of one so near to one of the other's is the same
_BESIDE_SPACES: Final = 2.6  # so near to a single line another one is ruling beside it


def part_at_gutters(courses: Sequence[Course]) -> list[Course]:
    """Part staves that run over a gutter.

    An initial hides lines too; a gutter is where other staves of the page end, and others begin.

    Parameters
    ----------
    courses : sequence of Course
        All of a page.

    Returns
    -------
    list of Course
        Each as it was, or its two pieces.
    """
    out: list[Course] = []
    for course in courses:
        others = [other for other in courses if other is not course]
        cut = _gutter(course, others)
        out += [course] if cut is None else [course.part(0, cut[0]), course.part(cut[1], None)]
    return _parted_where_others_meet(out)


def _parted_where_others_meet(courses: list[Course]) -> list[Course]:
    """Part staves that run on where most others of the page end, and their neighbours begin.

    Columns may stand so near that their lines touch, and nothing is bare between them. The gutter lies where
    the left staves end: initials of the right column may stand between it and the lines seen.
    """
    extents = [extent_of(course) for course in courses]
    meeting = [
        (min((a.right + b.left) / 2, a.right + _TOUCHING_SPACES / 2 * a.space), (a.row + b.row) / 2, a.space)
        for a in extents
        for b in extents
        if -_TOUCHING_SPACES * a.space < b.left - a.right < _INITIAL_SPACES * a.space
        and abs(a.row_at((a.right + b.left) / 2) - b.row_at((a.right + b.left) / 2)) < _LEVEL_SPACES * a.space
    ]
    line = _straight_line(meeting)
    if line is None:
        return courses
    start, lean, meetings = line
    at = [start + lean * one.row for one in extents]
    out = [_OUT_SPACES * one.space for one in extents]
    across = [x.left < m - far and x.right > m + far for x, m, far in zip(extents, at, out, strict=True)]
    if sum(across) >= meetings:
        return courses
    parted: list[Course] = []
    for course, gutter, cross in zip(courses, at, across, strict=True):
        cut = int(np.searchsorted(course.cols, gutter))
        parted += [course.part(0, cut), course.part(cut, None)] if cross else [course]
    return parted


def _straight_line(meeting: list[tuple[float, float, float]]) -> tuple[float, float, int] | None:
    """Gutter on which staves meet: its column at row 0, how it leans, and how many meet there.

    Staves that end short of the gutter are left out, the furthest off first; None if too few are left.

    Parameters
    ----------
    meeting : list of (float, float, float)
        Column and row of a meeting, staff space.
    """
    kept = list(meeting)
    while len(kept) >= max(_MEETINGS, _ON_LINE * len(meeting)):
        cols, rows, spaces = np.array(kept).T
        lean, start = np.polyfit(rows, cols, 1) if np.ptp(rows) > 0 else (0.0, float(cols.mean()))
        off = np.abs(start + lean * rows - cols)
        if off.max() <= _TOUCHING_SPACES / 2 * spaces.min():
            return float(start), float(lean), len(kept)
        del kept[int(off.argmax())]
    return None


def _gutter(course: Course, others: list[Course]) -> tuple[int, int] | None:
    """First strip of a gutter under a staff and one past its last."""
    own = extent_of(course)
    for first, end in _bare(course):
        gap = float(course.cols[first]), float(course.cols[end - 1])
        # Another staff taken for one over the same gutter is no witness.
        beside = [extent_of(other) for other in others if not _is_bare(other, gap)]
        if is_gutter(gap, own, beside):
            return first, end
    return None


def _bare(course: Course) -> list[tuple[int, int]]:
    """First strip of each inner stretch on which hardly a line is seen, and one past its last."""
    width = max(1, round(_BARE_SPACES * course.per_space))
    share = np.convolve(course.seen.mean(axis=0), np.full(width, 1 / width), "same")
    least = _LEAST_SPACES * course.per_space
    return [
        (a, b) for a, b in runs(share <= _HARDLY_SEEN) if a >= least and course.rows.shape[1] - b >= least
    ]


def _is_bare(course: Course, gap: tuple[float, float]) -> bool:
    """Whether a staff runs over a gap in another one, but with a gap of its own there."""
    if course.cols[0] > gap[0] or course.cols[-1] < gap[1]:
        return False
    return any(course.cols[a] < gap[1] and course.cols[b] > gap[0] for a, b in _bare(course))


def extent_of(course: Course) -> Extent:
    """Where a staff stands, at working scale."""
    left, right = float(course.cols[0]), float(course.cols[-1])
    middle = course.rows.mean(axis=0)
    slope = float(middle[-1] - middle[0]) / max(right - left, 1.0)
    return Extent(left, right, float(course.rows.mean()), slope, course.space)


def each_once(courses: Sequence[Course]) -> list[Course]:
    """Of staves that share a line, or single lines too near to one another, the clearer one.

    Parameters
    ----------
    courses : sequence of Course
        All of a page.

    Returns
    -------
    list of Course
        In the same order.
    """
    clear = [float(course.seen.sum()) * course.strength for course in courses]
    order = sorted(range(len(courses)), key=lambda i: (-clear[i], i))
    kept: list[int] = []
    for i in order:
        if not any(_share_a_line(courses[i], courses[j]) for j in kept):
            kept.append(i)
    return [courses[i] for i in sorted(kept)]


def _share_a_line(one: Course, other: Course) -> bool:
    left, right = max(one.cols[0], other.cols[0]), min(one.cols[-1], other.cols[-1])
    shorter = min(one.cols[-1] - one.cols[0], other.cols[-1] - other.cols[0])
    if right - left <= _TWICE_SHARE * shorter:
        return False
    at = np.linspace(left, right, 16)
    a, b = (np.array([np.interp(at, course.cols, row) for row in course.rows]) for course in (one, other))
    gaps = np.abs(a[:, None] - b[None]).mean(axis=2)
    if len(one.rows) == len(other.rows) == 1:
        return bool(gaps.min() < _BESIDE_SPACES * max(one.space, other.space))
    return bool(gaps.min() < _TWICE_SPACES * min(one.space, other.space))
