"""Staves followed beyond where the leaf map has them, as far as their lines run on in the ink.

The map may doubt a stretch of a staff that is bare, oblique or badly worn. Lines that run on there
side by side, as strong and as far apart as before, are the same staff.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.staff_lines import Course, InkStrips, line_ridges
from neumary.staff_trust import LEAST_TRUST, trust
from neumary.types import Bool

_BLOCK_SPACES: Final = 2.0  # looked at in one go
_SLOPE_SPACES: Final = 8.0  # the last stretch, whose slope is carried on
_MOST_SLOPE: Final = 0.2
_BEND: Final = 0.04  # change of slope that a block may bring
_MOVE_SPACES: Final = 0.12  # and of height
_AS_STRONG: Final = 0.33  # of the staff's usual ridge
_SEEN: Final = 0.55  # share of a block in which a line must be seen
_SEEN_LONE: Final = 0.75  # the same where there is but one line
_LINES_SEEN: Final = 0.7  # share of the lines
_EDGE_SPACES: Final = 0.3  # so near to the picture's edge a line is half cut off
_MEET_SPACES: Final = 0.75  # between the ends of two pieces of one staff
_SAME_LINE_SPACES: Final = 0.35  # from one end of a line to the other
_ABOVE: Final = 0.5  # of the shorter staff: so much is above or below the other
_NEAREST: Final = 4  # a column's edge may lean
_ORNAMENT: Final = -0.6  # probability of a line, less the share of ornaments, of what is surely one of those
_SKIPS: Final = 1  # blocks that may be covered by an initial or a stain


Reach = tuple[float, float]


def column_reach(course: Course, others: Sequence[Course]) -> Reach:
    """How far a staff and the nearest ones above and below it reach.

    Parameters
    ----------
    course : Course
    others : sequence of Course
        All of the page, as the map has them.

    Returns
    -------
    (float, float)
        First and last working column.
    """
    column = [other for other in others if other is not course and _in_one_column(other, course)]
    column.sort(key=lambda other: abs(float(other.rows.mean() - course.rows.mean())))
    near = [course, *column[:_NEAREST]]
    return min(float(one.cols[0]) for one in near), max(float(one.cols[-1]) for one in near)


def grow(
    strips: InkStrips, seen: LeafMap, course: Course, others: Sequence[Course], reach: Reach
) -> tuple[int, Floats] | None:
    """Where a staff's lines run, with what lies beyond its ends.

    Parameters
    ----------
    strips : InkStrips
    seen : LeafMap
        Words may stand as far apart as lines: over them none grows further than its column reaches. Over
        ornaments none grows.
    course : Course
        As followed within the map's band; its lines cut off by the picture's edge may be among them.
    others : sequence of Course
        The other staves of the page, into which none grows.
    reach : (float, float)
        From `column_reach`.

    Returns
    -------
    tuple or None
        First strip, and the rows of all lines in working pixels, shape (n_lines, n_strips); None where
        nothing was added.
    """
    first = round((float(course.cols[0]) + 0.5) / strips.strip_px - 0.5)
    after = _beyond(strips, seen, course.rows, first + course.rows.shape[1], 1, course, others, reach)
    before = _beyond(strips, seen, course.rows[:, ::-1], first - 1, -1, course, others, reach)
    if not after.shape[1] and not before.shape[1]:
        return None
    return first - before.shape[1], np.hstack([before[:, ::-1], course.rows, after])


def met(courses: Sequence[Course]) -> list[Course]:
    """Pieces of a staff that the picture's edge cuts joined, where they have grown together.

    Between columns there is a gutter, over which none grows.

    Parameters
    ----------
    courses : sequence of Course
        All of a page, grown.

    Returns
    -------
    list of Course
    """
    done = list(courses)
    for left in courses:
        for right in courses:
            if left is not right and any(left is c for c in done) and any(right is c for c in done):
                one = _joined(left, right)
                if one is not None:
                    done = [one if c is left else c for c in done if c is not right]
    return done


def _joined(left: Course, right: Course) -> Course | None:
    """Two pieces as one staff, with the lines of that which has more; None where they do not meet."""
    step = float(left.cols[1] - left.cols[0])
    between = round((float(right.cols[0]) - float(left.cols[-1])) / step) - 1
    near = _MEET_SPACES * left.per_space
    if not (left.cut and right.cut and -near <= between <= near) or step != right.cols[1] - right.cols[0]:
        return None
    after = right.part(max(0, -between), None)
    ends, starts = left.rows[:, -1], after.rows[:, 0]
    apart = np.abs(ends[:, None] - starts[None])
    k, m = divmod(int(apart.argmin()), len(starts))  # the line that both have
    most, at, beyond = (left, k, k - m) if len(ends) >= len(starts) else (right, m, m - k)
    fewer = min(len(ends), len(starts))
    if apart[k, m] > _SAME_LINE_SPACES * left.space or not 0 <= beyond <= len(most.rows) - fewer:
        return None
    offsets = ends - ends[at] if most is left else starts - starts[at]
    spread = [_spread(piece, offsets, shared, at) for piece, shared in ((left, k), (after, m))]
    gap = max(0, between)
    share = (np.arange(gap) + 1) / (gap + 1)
    bridge = spread[0][0][:, -1:] * (1 - share) + spread[1][0][:, :1] * share
    unseen = np.zeros((len(offsets), gap), bool)
    rows = np.hstack([spread[0][0], bridge, spread[1][0]])
    seen, mapped = (np.hstack([spread[0][i], unseen, spread[1][i]]) for i in (1, 2))
    cols = np.asarray(left.cols[0] + step * np.arange(rows.shape[1]), dtype=np.float64)
    return replace(most, cols=cols, rows=rows, seen=seen, mapped=mapped)


def _spread(piece: Course, offsets: Floats, shared: int, at: int) -> tuple[Floats, Bool, Bool]:
    """Rows of all lines along a piece that has some of them, and where those are seen, and mapped.

    Its line `shared` is line `at` of all.
    """
    own = slice(at - shared, at - shared + len(piece.rows))
    rows = np.asarray(piece.rows[shared] + offsets[:, None], dtype=np.float64)
    seen, mapped = (np.zeros(rows.shape, bool) for _ in range(2))
    rows[own], seen[own], mapped[own] = piece.rows, piece.seen, piece.there
    return rows, seen, mapped


def _beyond(
    strips: InkStrips,
    seen: LeafMap,
    rows: Floats,
    start: int,
    way: int,
    course: Course,
    others: Sequence[Course],
    reach: Reach,
) -> Floats:
    """Rows in the strips from `start` on in one direction, as far as lines are seen; shape (n_lines, k)."""
    block = max(2, round(_BLOCK_SPACES * course.per_space))
    room = _room(strips, start, way, rows[:, -1], course, others)
    usual = (reach[way > 0] + 0.5) / strips.strip_px - 0.5
    grown, kept, skipped = rows, rows.shape[1], 0
    while room - (grown.shape[1] - rows.shape[1]) >= block // 2 and skipped <= _SKIPS:
        done = grown.shape[1] - rows.shape[1]
        size = min(block, room - done)
        nearest = start + way * done
        piece, lined = _block(strips, grown, nearest, way, size, course)
        beyond = way * (nearest + way * (size - 1) - usual) > 0
        lined = lined and not _on_other(strips, seen, piece, nearest, way, course, words=beyond)
        grown = np.hstack([grown, piece])
        skipped = 0 if lined else skipped + 1
        kept = grown.shape[1] if lined else kept
    return grown[:, rows.shape[1] : kept]


def _in_one_column(one: Course, other: Course) -> bool:
    common = min(one.cols[-1], other.cols[-1]) - max(one.cols[0], other.cols[0])
    return bool(common > _ABOVE * min(one.cols[-1] - one.cols[0], other.cols[-1] - other.cols[0]))


def _on_other(
    strips: InkStrips, seen: LeafMap, rows: Floats, nearest: int, way: int, course: Course, *, words: bool
) -> bool:
    """Whether the map sees ornaments, or words where they are asked for, along a block rather than lines."""
    low = min(nearest, nearest + way * (rows.shape[1] - 1))
    cols = strips.middles(low, low + rows.shape[1])
    block = replace(course, cols=cols, rows=rows[:, ::way])
    return (words and trust(seen, block) < LEAST_TRUST) or trust(seen, block, ("decoration",)) < _ORNAMENT


def _room(
    strips: InkStrips, start: int, way: int, ends: Floats, course: Course, others: Sequence[Course]
) -> int:
    """Strips to the page's edge or to the next staff at this height."""
    room = len(strips.total) - start if way > 0 else start + 1
    for other in others:
        if other is course:
            continue
        near = other.rows[:, 0 if way > 0 else -1]
        if near.max() < ends.min() - course.space or near.min() > ends.max() + course.space:
            continue
        edge = float(other.cols[0] if way > 0 else other.cols[-1])
        gap = round(way * ((edge + 0.5) / strips.strip_px - 0.5 - start))
        if gap > -round(2 * course.per_space):
            room = min(room, max(0, gap))
    return room


def _block(
    strips: InkStrips, grown: Floats, nearest: int, way: int, size: int, course: Course
) -> tuple[Floats, bool]:
    """The lines' likeliest rows in the next strips, and whether they are seen there."""
    back = grown[:, -max(3, round(_SLOPE_SPACES * course.per_space)) :]
    middle = back.mean(axis=0)
    at = np.arange(back.shape[1], dtype=np.float64)
    most = _MOST_SLOPE * strips.strip_px
    slope = float(np.clip(np.polyfit(at, middle, 1)[0], -most, most))
    last = back[:, -max(2, round(course.per_space)) :]
    offsets = np.median(last - last.mean(axis=0), axis=1)
    end = float(np.median(middle - slope * at)) + slope * (len(at) - 1)
    along = np.arange(1, size + 1)
    thought = end + offsets[:, None] + slope * along[None]
    low = min(nearest, nearest + way * (size - 1))
    ridge = line_ridges(strips, low, low + size, thought[:, ::way], course.space)[:, ::way]
    half = ridge.shape[2] // 2
    clear = np.minimum(ridge / max(course.strength, 1e-6), 1.0)
    inside = (thought >= 0) & (thought < strips.total.shape[1])
    away = round(_MOVE_SPACES * course.space)
    moves, bends = (
        grid.ravel() for grid in np.meshgrid(np.linspace(-away, away, 5), np.linspace(-_BEND, _BEND, 5))
    )
    shifts = moves[:, None] + bends[:, None] * strips.strip_px * along  # of all lines together
    place = np.clip(np.rint(thought - np.rint(thought) + shifts[:, None]).astype(int) + half, 1, 2 * half - 1)
    each, strip = np.ogrid[: clear.shape[0], : clear.shape[1]]
    found = clear[each, strip, place]
    worth = (found * inside).sum(axis=(1, 2)) - 1e-3 * (np.abs(moves) / course.space + np.abs(bends))
    best = int(worth.argmax())
    rows = thought + shifts[best]
    near = np.maximum.reduce([clear[each, strip, place[best] + d] for d in (-1, 0, 1)]) >= _AS_STRONG
    there = inside.mean(axis=1) > 0.5
    edge = _EDGE_SPACES * course.space
    whole = ((thought >= edge) & (thought < strips.total.shape[1] - edge)).mean(axis=1) > 0.5
    there = whole if whole.any() else there
    if not there.any():
        return rows, False
    shares = np.where(inside, near, False)[there].sum(axis=1) / inside[there].sum(axis=1)
    least = _SEEN if there.sum() > 1 else _SEEN_LONE
    return rows, float((shares >= least).mean()) >= _LINES_SEEN
