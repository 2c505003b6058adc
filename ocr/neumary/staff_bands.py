"""LeafMap -> bands: where staves lie on a page, their outer lines, their number of lines.

Every cell that lies on a staff tells how far its outer lines are; the cells of a column vote,
and the columns of a staff are smoothed. So no single line has to be seen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.types import Bool
from neumary_models.leaf_outputs import REGIONS

MOST_LINES: Final = 5
_FULL_LINES: Final = 3  # from so many lines on a staff is a full one
_ON: Final = 0.5  # probability from which a cell lies on a staff
_AXIS_CELLS: Final = 1.6  # cells this near the middle of their staff make up its axis
_EDGE_CELL: Final = 2  # cells in from the picture's edge, where the map is not yet blurred
_EDGE_GAP: Final = 9  # cells; shorter gaps in a cut staff do not count
_SHORTEST_SPACES: Final = 3.0
_SURE: Final = 0.95  # mean probability that a very short staff must have
_SHORT_SPACES: Final = 8.0
_GAP_SPACES: Final = 6.0  # pieces of one staff at most so far apart
_OVER_SPACES: Final = 1.5  # or run side by side so far, where one lies beyond the picture's edge
_SMALL_GAP_SPACES: Final = 1.0  # pieces so near are one staff whatever stands between
_GUTTER: Final = 0.45  # the same where other staves break at the same place
_SAME_PLACE_SPACES: Final = 1.5
_GUTTER_STAVES: Final = 2
_SPANNED_SPACES: Final = 2.0
_TEXT_BETWEEN: Final = 0.12  # share of the cells between that lie on text, where there is hardly any
_BRIDGED: Final = 0.15  # mean probability of a staff between two pieces of one
_ALIGNED_SPACES: Final = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A staff as the map shows it; lengths in cells.

    Attributes
    ----------
    first : int
        First column.
    top, bottom : ndarray of float64, shape (n,)
        Rows of the outer lines in the columns from `first` on.
    weight : ndarray of float64, shape (n,)
        How many cells voted in each column, weighted by their probability; 0 in a gap.
    space : float
        Staff space.
    full : float
        Probability of a full staff rather than one of few lines.
    p : float
        Mean probability along the axis.
    """

    first: int
    top: Floats
    bottom: Floats
    weight: Floats
    space: float
    full: float
    p: float

    @property
    def last(self) -> int:
        """One past the last column."""
        return self.first + len(self.top)

    @property
    def about_lines(self) -> int:
        """Number of lines its height has room for."""
        tall = float(np.median(self.bottom - self.top)) / self.space
        if self.full < 0.5:
            return 1 if tall < 0.5 else 2
        return min(MOST_LINES, max(_FULL_LINES, round(tall) + 1))


def find_bands(seen: LeafMap) -> list[Band]:
    """Staves of a page, from top to bottom of their first column; pieces of one staff joined."""
    on = 1.0 - seen.zone[0]
    middle = np.abs(seen.up - seen.down) / 2
    axis = (on > _ON) & (middle < _AXIS_CELLS)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(axis.astype(np.uint8), connectivity=8)
    pieces: list[Band | None] = []
    for k in range(1, count):
        left, top, width, height = (int(x) for x in stats[k, :4])
        if width >= 4:
            rows = _axis_rows(labels[top : top + height, left : left + width] == k, top)
            pieces.append(None if rows is None else _gather(seen, on, rows, left))
    pieces += [_gather(seen, on, rows, left) for rows, left in _axes_beyond(seen, on)]
    bands = _join(seen, on, [piece for piece in pieces if piece is not None])
    return [band for band in bands if _is_staff(band)]


def _is_staff(band: Band) -> bool:
    length = len(band.top) / band.space
    return length >= _SHORTEST_SPACES and (length >= _SHORT_SPACES or band.p >= _SURE)


def _axis_rows(axis: Bool, top: int) -> Floats | None:
    """Row of a staff's middle in each column; None where most columns have none."""
    every = np.arange(top, top + axis.shape[0])[:, None]
    rows = np.where(axis, every, 0).sum(axis=0) / np.maximum(axis.sum(axis=0), 1)
    have = axis.any(axis=0)
    if have.mean() < 0.5:
        return None
    whole = np.interp(np.arange(axis.shape[1]), np.flatnonzero(have), rows[have])
    return np.asarray(whole, dtype=np.float64)


def _axes_beyond(seen: LeafMap, on: Floats) -> Iterator[tuple[Floats, int]]:
    """Middles of staves that lie beyond the picture's upper or lower edge, and their first columns."""
    height = len(on)
    for edge, outwards in ((min(_EDGE_CELL, height - 1), -1), (max(0, height - 1 - _EDGE_CELL), 1)):
        away = (seen.down[edge] - seen.up[edge]) / 2  # cells down to the middle
        cut = ((on[edge] > _ON) & (away * outwards > _EDGE_CELL + _AXIS_CELLS)).astype(np.uint8)
        cut = cv2.morphologyEx(cut[None], cv2.MORPH_CLOSE, np.ones((1, _EDGE_GAP), np.uint8))[0]
        steps = np.flatnonzero(np.diff(np.pad(cut, 1)))
        for first, end in zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True):
            if end - first >= _EDGE_GAP:
                yield np.asarray(edge + away[first:end], dtype=np.float64), first


def _gather(seen: LeafMap, on: Floats, rows: Floats, left: int) -> Band | None:
    """The votes of all cells around a piece of axis, given by its row in each column."""
    width = len(rows)
    cols = np.arange(left, left + width)
    here = np.clip(np.rint(rows).astype(int), 0, on.shape[0] - 1)
    space = float(np.median(seen.space[here, cols]))
    tall = float(np.median(seen.up[here, cols] + seen.down[here, cols]))
    half = int(np.ceil(tall / 2 + space))
    at = np.rint(rows).astype(int)[None, :] + np.arange(-half, half + 1)[:, None]
    inside = (at >= 0) & (at < on.shape[0])
    cells = np.clip(at, 0, on.shape[0] - 1)
    p = on[cells, cols]
    up, down = seen.up[cells, cols], seen.down[cells, cols]
    own = np.abs((cells + (down - up) / 2) - rows) < max(1.5, 0.35 * tall + 0.5)
    votes = np.where(inside & own & (p > _ON), p, 0.0)
    weight = votes.sum(axis=0)
    if not (weight > 0).any():
        return None
    tops = _weighted_median(np.asarray(cells - up, dtype=np.float64), votes)
    bottoms = _weighted_median(np.asarray(cells + down, dtype=np.float64), votes)
    few, full = seen.zone[2][here, cols].sum(), seen.zone[1][here, cols].sum()
    return Band(
        left, tops, bottoms, weight, max(space, 0.5), float(full / max(few + full, 1e-6)),
        float(on[here, cols].mean()),
    )  # fmt: skip


def _weighted_median(values: Floats, weight: Floats) -> Floats:
    """Column by column."""
    order = np.argsort(values, axis=0)
    mass = np.cumsum(np.take_along_axis(weight, order, axis=0), axis=0)
    place = (mass < 0.5 * mass[-1]).sum(axis=0)
    ranked = np.take_along_axis(values, order, axis=0)
    return np.asarray(ranked[np.minimum(place, len(values) - 1), np.arange(values.shape[1])], np.float64)


def _join(seen: LeafMap, on: Floats, pieces: list[Band]) -> list[Band]:
    """Join pieces of one staff from left to right."""
    done: list[Band] = []
    for piece in sorted(pieces, key=lambda b: (b.first, b.last)):
        fits = [
            band
            for band in done
            if _continues(
                seen, on, band, piece,
                gutter=_is_gutter(pieces, band, piece), spanned=_is_spanned(pieces, band, piece),
            )
        ]  # fmt: skip
        if fits:
            best = min(fits, key=lambda band: piece.first - band.last)
            done[done.index(best)] = _bridge(best, piece)
        else:
            done.append(piece)
    return done


def _is_gutter(pieces: list[Band], left: Band, right: Band) -> bool:
    """Whether other staves of the page break off and begin again at the same places."""
    near = _SAME_PLACE_SPACES * (left.space + right.space) / 2
    ends = sum(abs(piece.last - left.last) < near for piece in pieces if piece is not left)
    starts = sum(abs(piece.first - right.first) < near for piece in pieces if piece is not right)
    return min(ends, starts) >= _GUTTER_STAVES


def _is_spanned(pieces: list[Band], left: Band, right: Band) -> bool:
    """Whether another staff of the page runs over the gap: so it is no gutter between columns."""
    reach = _SPANNED_SPACES * (left.space + right.space) / 2
    return any(piece.first < left.last - reach and piece.last > right.first + reach for piece in pieces)


def _continues(seen: LeafMap, on: Floats, left: Band, right: Band, *, gutter: bool, spanned: bool) -> bool:
    """Whether the right piece carries the left one on, over a stain or an initial but not over text."""
    space = (left.space + right.space) / 2
    gap = right.first - left.last
    if (
        not -_OVER_SPACES * space <= gap <= _GAP_SPACES * space
        or abs(np.log(left.space / right.space)) > 0.25
    ):
        return False
    for a, b in ((left.top, right.top), (left.bottom, right.bottom)):
        reach = int(max(4, 4 * space))
        ends = _end(a[-reach:], gap / 2, forwards=True), _end(b[:reach], gap / 2, forwards=False)
        if abs(ends[0] - ends[1]) > _ALIGNED_SPACES * space:
            return False
    if gap <= _SMALL_GAP_SPACES * space and not gutter:
        return True
    cols = np.arange(left.last, right.first)
    share = (cols - left.last + 1) / (len(cols) + 1)
    rows = (left.top[-1] + left.bottom[-1]) / 2 * (1 - share) + (right.top[0] + right.bottom[0]) / 2 * share
    at = np.clip(np.rint(rows).astype(int), 0, on.shape[0] - 1)
    if not len(cols) or gutter:
        return bool(len(cols) and on[at, cols].mean() >= _GUTTER)
    half = max(1, round((left.bottom[-1] - left.top[-1]) / 2))
    around = np.clip(at[None] + np.arange(-half, half + 1)[:, None], 0, on.shape[0] - 1)
    text = float((seen.region[REGIONS.index("text")][around, cols] > 0.5).mean())
    return bool(on[at, cols].mean() >= _BRIDGED or (spanned and text < _TEXT_BETWEEN))


def _end(rows: Floats, beyond: float, *, forwards: bool) -> float:
    """Where a course would run, a way beyond its end; slope from its last cells."""
    if len(rows) < 4:
        return float(np.median(rows))
    x = np.arange(len(rows), dtype=float)
    slope = float(np.clip(np.polyfit(x, rows, 1)[0], -0.15, 0.15))
    middle = float(np.median(rows - slope * x))
    return middle + slope * (len(rows) - 1 + beyond if forwards else -beyond)


def _bridge(left: Band, right: Band) -> Band:
    gap = max(0, right.first - left.last)
    cut = max(0, left.last - right.first)

    def over(a: Floats, b: Floats, *, weight: bool = False) -> Floats:
        b = b[cut:]
        between = np.zeros(gap) if weight else np.linspace(a[-1], b[0] if len(b) else a[-1], gap + 2)[1:-1]
        return np.concatenate([a, between, b])

    n, m = len(left.top), len(right.top)
    return replace(
        left,
        top=over(left.top, right.top),
        bottom=over(left.bottom, right.bottom),
        weight=over(left.weight, right.weight, weight=True),
        space=(n * left.space + m * right.space) / (n + m),
        full=(n * left.full + m * right.full) / (n + m),
        p=(n * left.p + m * right.p) / (n + m),
    )


def as_asked(seen: LeafMap, band: Band, rows: Floats, space: float, asked: int) -> Floats:
    """So many lines of the staff's grid as were asked for, where lines are likeliest seen.

    Parameters
    ----------
    seen : LeafMap
    band : Band
    rows : ndarray of float64, shape (n_lines, n)
        Rows in cells of the lines found, bottom line first.
    space : float
        Staff space, cells.
    asked : int
        Number of lines.

    Returns
    -------
    ndarray of float64, shape (asked, n)
    """
    gap = (rows[0] - rows[-1]) / (len(rows) - 1) if len(rows) > 1 else np.full(rows.shape[1], space)
    cols = np.arange(band.first, band.last)
    spare = len(rows) - asked
    first = range(min(0, spare), max(0, spare) + 1)
    choices = [rows[0] - gap * np.arange(low, low + asked)[:, None] for low in first]
    return max(choices, key=lambda r: float(_line_at(seen, r, cols).sum()))


def _line_at(seen: LeafMap, rows: Floats, cols: npt.NDArray[np.intp]) -> Floats:
    """Mean probability of a line along each course; nothing beyond the page."""
    at = np.rint(rows).astype(int)
    inside = (at >= 0) & (at < seen.line.shape[0])
    p = seen.line[np.clip(at, 0, seen.line.shape[0] - 1), cols[None, :]]
    return np.asarray(np.where(inside, p, 0.0).mean(axis=1), dtype=np.float64)
