"""Staves of two columns taken for one: parted where their lines stop and the page has a gutter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.columns import Extent, is_gutter
from neumary.staff_lines import Course

_BARE_SPACES: Final = 1.0  # hardly a line is seen for so long
_HARDLY_SEEN: Final = 0.35  # share of the lines
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
        out += [course] if cut is None else [course.part(0, cut[0]), course.part(cut[1], None)]
    return out


def _gutter(course: Course, others: list[Course]) -> tuple[int, int] | None:
    """First strip of a gutter under a staff and one past its last."""
    width = max(1, round(_BARE_SPACES * course.per_space))
    share = np.convolve(course.seen.mean(axis=0), np.full(width, 1 / width), "same")
    bare = (share <= _HARDLY_SEEN).astype(np.int8)
    steps = np.flatnonzero(np.diff(np.pad(bare, 1)))
    own, *beside = (extent_of(one) for one in (course, *others))
    least = _LEAST_SPACES * course.per_space
    for first, end in zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True):
        if first < least or len(share) - end < least:
            continue
        if is_gutter((float(course.cols[first]), float(course.cols[end - 1])), own, beside):
            return first, end
    return None


def extent_of(course: Course) -> Extent:
    """Where a staff stands, at working scale."""
    left, right = float(course.cols[0]), float(course.cols[-1])
    middle = course.rows.mean(axis=0)
    slope = float(middle[-1] - middle[0]) / max(right - left, 1.0)
    return Extent(left, right, float(course.rows.mean()), slope, course.space)
