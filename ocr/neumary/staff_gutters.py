"""Staves of two columns taken for one: parted where their lines stop and the page has a gutter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from neumary.staff_lines import Course

_BARE_SPACES: Final = 1.0  # hardly a line is seen for so long
_HARDLY_SEEN: Final = 0.35  # share of the lines
_NEAR_SPACES: Final = 3.0  # other staves end or begin so near to the bare place
_WITNESSES: Final = 2  # so many of them
_LEAST_SPACES: Final = 3.0  # pieces shorter than this are no staves


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
        out += [course] if cut is None else [_piece(course, 0, cut[0]), _piece(course, cut[1], None)]
    return out


def _gutter(course: Course, others: list[Course]) -> tuple[int, int] | None:
    """First strip of a gutter under a staff and one past its last."""
    width = max(1, round(_BARE_SPACES * course.per_space))
    share = np.convolve(course.seen.mean(axis=0), np.full(width, 1 / width), "same")
    bare = (share <= _HARDLY_SEEN).astype(np.int8)
    steps = np.flatnonzero(np.diff(np.pad(bare, 1)))
    least, near = _LEAST_SPACES * course.per_space, _NEAR_SPACES * course.space
    for first, end in zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True):
        if first < least or len(share) - end < least:
            continue
        ends = sum(abs(float(other.cols[-1]) - float(course.cols[first])) < near for other in others)
        begin = sum(abs(float(other.cols[0]) - float(course.cols[end - 1])) < near for other in others)
        if min(ends, begin) >= _WITNESSES:
            return first, end
    return None


def _piece(course: Course, first: int, end: int | None) -> Course:
    part = slice(first, end)
    return replace(course, cols=course.cols[part], rows=course.rows[:, part], seen=course.seen[:, part])
