"""Decisions that need all staves of a page: where columns part, and how many lines a staff has.

A single staff cannot tell a column's gutter from a damaged place, or a ruled text line from
a fifth staff line; the other staves of the page can.
"""

from __future__ import annotations

import functools
import operator
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from neumary.lines import Floats, runs, smooth_columns
from neumary.staff_field import SEEN, Field, Trace, hidden, levels, lit, pen_like
from neumary.staff_grow import calibrate, follow_each, refine
from neumary.staff_lone import inked, with_lone_lines
from neumary.types import F32, Bool

_GUTTER_SPACES: Final = 0.7  # least width of a gutter
_NEAR_SPACES: Final = 2.0  # breaks nearer than this are at the same gutter
_BARE_SPACES: Final = 1.5  # a bare break so wide parts a staff that no other runs through
_GUTTER_SHARE: Final = 0.6  # share of the staves crossing it that must break at a gutter
_REJOIN_SPACES: Final = 6.0  # longest bare stretch within a staff, where its neighbours run on
_MEETING: Final = 0.35  # lines that continue each other meet within this many staff spaces
_SLIVER_SPACES: Final = 5.0  # width of staves the picture's side cuts off to nothing
_COMMON_LINES: Final = 4  # staves of chant most often have so many (common practice, no source)
_SIMILAR: Final = 0.2  # staves are of one size if their spaces differ by less than this share
# Quality of an outer line against its staff's other lines:
_NO_LINE: Final = 0.2  # below, it is none, whatever the page's other staves have
_CERTAIN: Final = 0.8  # above, it is one, even if the other staves have fewer
_CLEAR_LINE: Final = 0.55  # from here it is one even if they have as few
_TRACE_OF: Final = 0.12  # from here it is one if the other staves have as many


def settle(field: Field, traces: list[Trace], n_lines: int | None) -> list[Trace]:
    """Part staves at gutters, agree on the number of lines, keep those that were inked.

    Parameters
    ----------
    field : Field
    traces : list of Trace
    n_lines : int or None
        Lines of each staff where known; then their number is left alone.

    Returns
    -------
    list of Trace
    """
    traces = _part(field, traces)
    if n_lines is None:
        surest = [_trimmed(field, trace, _NO_LINE, 2) for trace in traces]
        traces = [
            _agree(field, trace, sure, _usual(sure, surest))
            for trace, sure in zip(traces, surest, strict=True)
        ]
        traces = [trace for trace in _rejoin(field, traces) if not _of_another_leaf(field, trace)]
    return with_lone_lines(field, inked(field, traces), n_lines)


def _of_another_leaf(field: Field, trace: Trace) -> bool:
    """Whether a trace is so short a piece at the picture's side that its staff is not this page's."""
    beside = trace.first <= 1 or trace.last >= len(field.every) - 1
    return beside and trace.rows.shape[1] * field.strip_px < _SLIVER_SPACES * max(trace.space, field.space)


def _breaks(field: Field, trace: Trace) -> list[tuple[int, int]]:
    """Strips (of the page) where all lines of a staff stop at once."""
    seen = smooth_columns(trace.seen.mean(axis=0), round(0.25 * field.per_space))
    least = _GUTTER_SPACES * field.per_space
    return [(trace.first + a, trace.first + b) for a, b in runs(seen < 0.34) if b - a >= least]


class _Columns:
    """Where staves begin, end and break, along an axis upright to the lines of the page."""

    def __init__(self, field: Field, traces: list[Trace]) -> None:
        self.strip_px = field.strip_px
        self.slope = float(np.median([_slope(field, trace) for trace in traces])) if traces else 0.0
        self.reach = _NEAR_SPACES * field.space
        self.sides = [(self.place(t, t.first), self.place(t, t.last - 1)) for t in traces]
        self.breaks = [_breaks(field, trace) for trace in traces]
        self.middles = [
            [self.place(t, (a + b) / 2) for a, b in found]
            for t, found in zip(traces, self.breaks, strict=True)
        ]

    def place(self, trace: Trace, strip: float) -> float:
        """Place of a strip of a staff on the axis, pixels."""
        inside = min(max(int(strip) - trace.first, 0), trace.rows.shape[1] - 1)
        return strip * self.strip_px + self.slope * float(trace.rows[:, inside].mean())

    def votes(self, place: float) -> tuple[int, int]:
        """Staves that break, begin or end at a place, and staves that run through it."""
        stop = through = 0
        for (left, right), middles in zip(self.sides, self.middles, strict=True):
            if min([abs(x - place) for x in (*middles, left, right)]) < self.reach:
                stop += 1
            elif left < place < right:
                through += 1
        return stop, through


def _part(field: Field, traces: list[Trace]) -> list[Trace]:
    """Part staves at breaks that most staves of the page share, as at a column's gutter."""
    columns = _Columns(field, traces)
    parted: list[Trace] = []
    for trace, found, (left, right) in zip(traces, columns.breaks, columns.sides, strict=True):
        cuts = []
        for low, high in found:
            start, stop = columns.place(trace, low), columns.place(trace, high)
            known = [
                x
                for x in (*functools.reduce(operator.iadd, columns.middles, []), *sum(columns.sides, ()))
                if start <= x <= stop
            ]
            place = max(known, key=lambda x: columns.votes(x)[0], default=(start + stop) / 2)
            if min(place - left, right - place) < columns.reach:
                continue
            ending, through = columns.votes(place)
            shared = ending >= 2 and ending >= _GUTTER_SHARE * (ending + through)
            bare = through == 0 and _bare(field, trace, low, high) >= _BARE_SPACES * field.per_space
            if shared or bare:
                cuts.append(round(low + (place - start) / field.strip_px))
        parted += _cut(field, trace, cuts) if cuts else [trace]
    return parted


def _rejoin(field: Field, traces: list[Trace]) -> list[Trace]:
    """Join staves that continue each other where most of the page's staves run through."""
    columns = _Columns(field, traces)
    left_to_right = sorted(traces, key=lambda trace: trace.first)
    joined: list[Trace] = []
    for trace in left_to_right:
        for k, before in enumerate(joined):
            if _continues(field, before, trace):
                stop, through = columns.votes(columns.place(before, (before.last + trace.first) / 2))
                if through > stop:
                    joined[k] = _bridge(before, trace)
                    break
        else:
            joined.append(trace)
    return joined


def _continues(field: Field, left: Trace, right: Trace) -> bool:
    """Whether the lines of one staff, drawn on, meet those of another close to its right."""
    gap = right.first - left.last
    if len(left.rows) != len(right.rows) or not 0 <= gap <= _REJOIN_SPACES * field.per_space:
        return False
    tail = min(round(6 * field.per_space), left.rows.shape[1], right.rows.shape[1])
    if tail < 2:
        return False
    rise = (left.rows[:, -1] - left.rows[:, -tail]) / (tail - 1)
    missed = np.abs(left.rows[:, -1] + rise * (gap + 1) - right.rows[:, 0])
    return bool(missed.max() < _MEETING * left.space)


def _bridge(left: Trace, right: Trace) -> Trace:
    """One staff of two, the stretch between them unseen."""
    gap = right.first - left.last
    t = np.arange(1, gap + 1) / (gap + 1)
    between = left.rows[:, -1:] * (1 - t) + right.rows[:, :1] * t
    unseen = np.zeros((len(left.rows), gap), dtype=bool)
    return replace(
        left,
        rows=np.hstack([left.rows, between, right.rows]),
        seen=np.hstack([left.seen, unseen, right.seen]),
    )


def _bare(field: Field, trace: Trace, low: int, high: int) -> int:
    """Strips of a break where nothing hides the lines."""
    rows = trace.rows[:, low - trace.first : high - trace.first]
    return int((~hidden(field, rows, low)).sum())


def _slope(field: Field, trace: Trace) -> float:
    """Rise in rows per column of a staff's middle."""
    middle = trace.rows.mean(axis=0)
    return float((middle[-1] - middle[0]) / max(1, (len(middle) - 1) * field.strip_px))


def _cut(field: Field, trace: Trace, cuts: list[int]) -> list[Trace]:
    """The parts of a staff between cuts that still are staves."""
    bounds = [trace.first, *cuts, trace.last]
    parts = []
    for low, high in pairwise(bounds):
        if high - low < 2 * field.per_space:
            continue
        rows = trace.rows[:, low - trace.first : high - trace.first]
        part = refine(field, calibrate(field, low, rows), rows, low)
        if part is not None:
            parts.append(part)
    return parts


def _usual(trace: Trace, traces: list[Trace]) -> int:
    """Lines most staves of this one's size have; 0 where there is no clear majority."""
    alike = [len(t.rows) for t in traces if abs(t.space - trace.space) <= _SIMILAR * trace.space]
    usual = max(sorted(set(alike)), key=alike.count)
    return usual if len(alike) >= 3 and 2 * alike.count(usual) > len(alike) else 0


def _quality(field: Field, trace: Trace) -> Floats:
    """How sure each line is: share seen, how like a pen line, how strong, how far from the others."""
    pen = np.maximum(pen_like(field, trace.first, trace.rows, trace.space, alone=True), 0.0)
    every, _ = levels(field, trace.first, trace.rows)
    strong = np.minimum(every / max(float(np.median(every)), 1e-3), 1.0)
    even = np.ones(len(pen))
    if len(pen) > 3:
        gaps = np.abs(np.diff(trace.rows, axis=0)).mean(axis=1)
        for k, gap, others in ((0, gaps[0], gaps[1:]), (-1, gaps[-1], gaps[:-1])):
            even[k] = np.clip(1.2 - 2.0 * abs(gap / np.median(others) - 1.0), 0.2, 1.0)
    return np.asarray(trace.seen.mean(axis=1) * pen * strong * even, dtype=np.float64)


def _trimmed(field: Field, trace: Trace, bound: float, least: int) -> Trace:
    """The staff without outer lines under `bound` times the others' quality, down to `least` lines."""
    while len(trace.rows) > least:
        quality = _quality(field, trace)
        k = 0 if quality[0] <= quality[-1] else len(quality) - 1
        if quality[k] >= bound * float(np.median(np.delete(quality, k))):
            break
        if bound == _NO_LINE and _unbroken(field, trace, k):
            break
        keep = np.delete(np.arange(len(quality)), k)
        trace = replace(trace, rows=trace.rows[keep], seen=trace.seen[keep])
    return trace


def _unbroken(field: Field, trace: Trace, k: int) -> bool:
    """Whether a line is seen nearly as far, and is more than half as strong, as the others."""
    share = trace.seen.mean(axis=1)
    every, _ = levels(field, trace.first, trace.rows)
    return bool(share[k] >= 0.8 * np.median(share) and every[k] >= 0.55 * np.median(every))


def _agree(field: Field, trace: Trace, surest: Trace, usual: int) -> Trace:
    """Drop a doubtful outer line, or add one that was too weak to be seen alone.

    `surest` is the same staff without any doubtful line.
    """
    if usual and len(trace.rows) <= usual:
        surest = trace
    elif usual:
        surest = _trimmed(field, surest, _CERTAIN, usual)
    while 2 < len(surest.rows) < max(usual, _COMMON_LINES):
        longer = _with_line(field, surest, _TRACE_OF if len(surest.rows) < usual else _CLEAR_LINE)
        if longer is None:
            break
        surest = longer
    return surest


def _with_line(field: Field, trace: Trace, bound: float) -> Trace | None:
    """The staff with its likeliest further outer line; None without one of that quality.

    The further line is measured on its own scale: it may be of another colour, or faded.
    """
    best: tuple[float, Trace] | None = None
    for side in (0, -1):
        beyond = trace.rows[[side]] + (trace.space if side == 0 else -trace.space)
        if beyond.min() < 2 or beyond.max() > field.height - 3:
            continue
        beyond = follow_each(field, field.evidence, beyond, trace.first, 0.3 * trace.space)
        own = calibrate(field, trace.first, beyond)
        seen = lit(own, beyond, 1.0, trace.first) > SEEN
        every, colour = levels(field, trace.first, beyond)
        pen = float(pen_like(field, trace.first, beyond, trace.space, alone=True)[0])
        quality = float(seen.mean()) * pen
        inked = every[0] >= field.dry or colour[0] >= 0.5 * field.dry
        near = np.abs(beyond[0] - trace.rows[side]) < 0.6 * trace.space
        if not inked or near.mean() > 0.1 or (best is not None and quality <= best[0]):
            continue
        best = quality, _stacked(trace, beyond, seen, own, side)
    if best is None or best[0] < bound * float(np.median(_quality(field, trace))):
        return None
    return best[1]


def _stacked(trace: Trace, row: Floats, seen: Bool, own: F32, side: int) -> Trace:
    """A staff with one more line at its bottom (side 0) or top."""
    rows = [row, trace.rows] if side == 0 else [trace.rows, row]
    lines = [seen, trace.seen] if side == 0 else [trace.seen, seen]
    return replace(trace, rows=np.vstack(rows), seen=np.vstack(lines), clear=np.maximum(trace.clear, own))
