"""Were the staff lines and staves found?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.measures import F64, Tally, match
from neumary.types import Staff, StaffLine

_SAMPLES: Final = 33  # columns at which two lines are compared


def line_distance(read: StaffLine, true: StaffLine, *, overlap: float) -> float:
    """Mean vertical distance (px) of two lines over the columns both cover.

    Infinite where those are less than `overlap` of the true line, or less than half of the
    read one: a line through a staff and the margin beside it is not that staff's line.
    """
    left, right = max(read.cols[0], true.cols[0]), min(read.cols[-1], true.cols[-1])
    common = right - left
    if common < overlap * (true.cols[-1] - true.cols[0]) or common < 0.5 * (read.cols[-1] - read.cols[0]):
        return float("inf")
    cols = np.linspace(left, right, _SAMPLES)
    gap = np.interp(cols, read.cols, read.rows) - np.interp(cols, true.cols, true.rows)
    return float(np.abs(gap).mean())


def score_lines(
    read: Sequence[Staff], true: Sequence[Staff], line_spaces: float, overlap: float
) -> tuple[Tally, Tally]:
    """Tally of lines and of staves.

    Parameters
    ----------
    read, true : sequence of Staff
    line_spaces : float
        Greatest mean vertical distance, staff spaces of the truth.
    overlap : float
        Share of a true line that must be covered.
    """
    ours = [(s, x) for s in read for x in s.lines]
    theirs = [(s, x) for s in true for x in s.lines]
    cost = np.array(
        [[line_distance(a, b, overlap=overlap) / staff.space_px for staff, b in theirs] for _, a in ours]
    ).reshape(len(ours), len(theirs))
    lines = match(cost, line_spaces)
    pairs = match(_staff_costs(read, true, line_spaces, overlap), line_spaces)
    return (
        Tally(len(lines), len(ours) - len(lines), len(theirs) - len(lines)),
        Tally(len(pairs), len(read) - len(pairs), len(true) - len(pairs)),
    )


def pair_staves(
    read: Sequence[Staff], true: Sequence[Staff], line_spaces: float = 0.25, overlap: float = 0.8
) -> dict[int, int]:
    """Index of the read staff of each true staff that was found; see `score_lines`."""
    return {j: i for i, j in match(_staff_costs(read, true, line_spaces, overlap), line_spaces)}


def _staff_costs(read: Sequence[Staff], true: Sequence[Staff], line_spaces: float, overlap: float) -> F64:
    cost = np.full((len(read), len(true)), np.inf)
    for i, ours in enumerate(read):
        for j, theirs in enumerate(true):
            if len(ours.lines) != len(theirs.lines):
                continue
            if not ours.lines:
                cost[i, j] = 0.0 if _area_overlap(ours, theirs) >= 0.5 else np.inf
                continue
            gaps = [
                line_distance(a, b, overlap=overlap) for a, b in zip(ours.lines, theirs.lines, strict=True)
            ]
            cost[i, j] = sum(gaps) / len(gaps) / theirs.space_px
    return cost


def _area_overlap(a: Staff, b: Staff) -> float:
    """Intersection over union of two staves' areas."""
    high = min(a.area.bottom, b.area.bottom) - max(a.area.top, b.area.top)
    wide = min(a.area.right, b.area.right) - max(a.area.left, b.area.left)
    common = max(0, high) * max(0, wide)
    union = sum((x.bottom - x.top) * (x.right - x.left) for x in (a.area, b.area)) - common
    return common / union if union else 0.0
