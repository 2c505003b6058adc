"""Columns of staves, and the order in which the staves of a page are read.

A page seen askew or in perspective has slanting gutters, so that one column reaches under the other and
no straight cut parts them: the cut leans as the staves do. A staff that runs across two columns (a heading,
or two staves taken for one) does not join them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

_SHARED: Final = 0.1  # staves of one column share more of their width than this
_LEANS: Final = (0.0, 0.5, 1.0, 1.5, 2.0)  # how much more or less than the staves a gutter leans
_STRAY: Final = 0.3  # a staff followed a little too far runs into the next column by less than this share
_FEW_STRAY: Final = 1 / 8  # and no more of a column's staves than this do
_WIDE: Final = 1.4  # a staff across columns is so much longer than the middle one
_FEW: Final = 0.25  # and no more of a page's staves than this share run across columns
_BESIDE_SPACES: Final = 1.5  # staves of one column this near in height stand side by side
_LEAST_LEANING: Final = 2  # columns parted by a leaning cut have so many staves at least
_NEXT_SPACES: Final = 25.0  # so far above and below staves tell of a gutter
_OUT_SPACES: Final = 2.0  # a staff crosses a gap that goes on so far on either side of it
_BORDER_SPACES: Final = 3.0  # and ends within it or so near to it
_WITNESSES: Final = 2


@dataclass(frozen=True, slots=True)
class Extent:
    """Where a staff stands, in px of any one scale.

    Attributes
    ----------
    left, right : float
        Columns of its ends.
    row : float
        Its middle.
    slope : float
        Rows it falls for each column to the right.
    space : float
        Staff space.
    """

    left: float
    right: float
    row: float
    slope: float
    space: float

    def row_at(self, col: float) -> float:
        """Its middle at a column, its slope kept beyond its ends."""
        return self.row + self.slope * (col - (self.left + self.right) / 2)


def is_gutter(gap: tuple[float, float], staff: Extent, others: Sequence[Extent]) -> bool:
    """Whether a gap in what was taken for one staff lies between columns.

    None of the staves next above and below crosses it, and two of them or more end, or begin, there; but
    above or below either piece there must be one, since beside initials staves begin alike, and short ones
    end alike, too. Staves farther away do not count, because gutters lean.

    Parameters
    ----------
    gap : (float, float)
        Its first and last column.
    staff : Extent
    others : sequence of Extent
        The page's other staves.
    """
    space = staff.space
    near = [o for o in others if abs(o.row - staff.row) < _NEXT_SPACES * space]
    out = _OUT_SPACES * space
    if any(o.left < gap[0] - out and o.right > gap[1] + out for o in near):
        return False
    border = _BORDER_SPACES * space
    ends = sum(gap[0] - border < o.right < gap[1] + border for o in near)
    begin = sum(gap[0] - border < o.left < gap[1] + border for o in near)
    beside = any(staff.left < o.right < gap[1] + border for o in near)
    sides = beside and any(gap[0] - border < o.left < staff.right for o in near)
    return sides and max(ends, begin) >= _WITNESSES


def order_staves(staves: Sequence[Extent]) -> list[tuple[int, int]]:
    """Staves in the order they are read: columns left to right, in each from top to bottom.

    Parameters
    ----------
    staves : sequence of Extent

    Returns
    -------
    list of (int, int)
        Column, and place of the staff in `staves`.
    """
    if not staves:
        return []
    columns = max((_cut(staves, lean) for lean in _leans(staves)), key=len)  # the first of equals
    return [(number, i) for number, column in enumerate(columns) for i in _top_down(staves, column)]


def _leans(staves: Sequence[Extent]) -> list[float]:
    """Columns a gutter may move to the right for each row down: square to the staves, about."""
    slope = float(np.median([staff.slope for staff in staves]))
    return [-slope * share for share in _LEANS]


def _cut(staves: Sequence[Extent], lean: float) -> list[list[int]]:
    """Groups of staves between which no staff crosses, but those across columns."""
    level = [(s.left - lean * s.row, s.right - lean * s.row) for s in staves]
    across = _across(level)
    groups: list[list[int]] = []
    for i in sorted((i for i in range(len(staves)) if i not in across), key=lambda i: level[i]):
        left, right = level[i]
        # Staves of one column need not begin alike, but they share most of their width.
        if groups and _runs_on([level[j][1] for j in groups[-1]], left, right):
            groups[-1].append(i)
        else:
            groups.append([i])
    if lean and not all(len(g) >= _LEAST_LEANING and _beside(staves, g, groups) for g in groups):
        return []
    for i in sorted(across):
        _nearest(level, groups, i).append(i)
    return groups


def _runs_on(ends: Sequence[float], left: float, right: float) -> bool:
    """Whether a column whose staves end so holds a staff that begins and ends so, too."""
    shared = [(end - left) / max(right - left, 1e-6) for end in ends]
    into = [share for share in shared if share > _SHARED]
    return len(into) > _FEW_STRAY * len(ends) or any(share > _STRAY for share in into)


def _across(level: Sequence[tuple[float, float]]) -> set[int]:
    """Long staves that run over two others which share nothing."""
    usual = float(np.median([right - left for left, right in level]))
    across = set()
    for i, (left, right) in enumerate(level):
        if right - left < _WIDE * usual:
            continue
        under = [j for j in range(len(level)) if j != i and _share(level[j], (left, right)) > 0.5]
        if any(_share(level[j], level[k]) <= 0 for j in under for k in under if j < k):
            across.add(i)
    return across if len(across) <= _FEW * len(level) else set()


def _share(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Share of the shorter one's width that both have; below 0 where a gap parts them."""
    common = min(one[1], other[1]) - max(one[0], other[0])
    return common / max(min(one[1] - one[0], other[1] - other[0]), 1e-6)


def _beside(staves: Sequence[Extent], group: Sequence[int], groups: Sequence[Sequence[int]]) -> bool:
    """Whether another column stands beside this one, not above or below it."""
    rows = [staves[i].row for i in group]
    return any(min(rows) < staves[j].row < max(rows) for other in groups if other is not group for j in other)


def _nearest(level: Sequence[tuple[float, float]], groups: list[list[int]], i: int) -> list[int]:
    """The first column that a staff across columns runs over."""
    over = [g for g in groups if any(_share(level[j], level[i]) > 0.5 for j in g)]
    return (over or groups)[0]


def _top_down(staves: Sequence[Extent], column: Sequence[int]) -> list[int]:
    """Top to bottom; of two at the same height the left one first."""
    rest = sorted(column, key=lambda i: staves[i].row)
    done: list[int] = []
    while rest:
        head = staves[rest[0]]
        beside = [i for i in rest if abs(staves[i].row - head.row) < _BESIDE_SPACES * head.space]
        nearest = min(beside, key=lambda i: staves[i].left)
        rest.remove(nearest)
        done.append(nearest)
    return done
