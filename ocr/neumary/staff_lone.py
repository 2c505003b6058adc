"""Staves of one or two coloured lines, and lines that were scratched but never inked.

Early ruling inks the F line red and the c line yellow, two staff spaces apart, and leaves
the rest of the grid as dry-point furrows, if it rules one at all (common practice; the
colours are told by medieval theory texts).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from neumary.lone_lines import find_lone_lines
from neumary.lone_pairs import paired
from neumary.staff_field import COLOURED, Field, Trace, levels, taken

_FEW_STAVES: Final = 3  # so many staves of three or more lines, all alike, settle it
_ONE_SIZE: Final = 0.15  # staff spaces that differ by less than this share are alike
_SAME_LINE: Final = 0.25  # lines this near, in staff spaces, are one
_LEAST_LONE: Final = 3  # fewer single lines than this may be line fillers
_EDGE_SPACES: Final = 1.6  # a line so near to the picture's edge may belong to a cut staff
_MARGIN_SPACES: Final = 4.0  # staves that begin within so much of each other share a margin
_FADED: Final = 0.3  # colour of a faded line against the strength of a furrow
_FAINTEST: Final = 0.2  # an inked line against the strongest of its staff
_ONE_STRENGTH: Final = 0.45  # the weakest inked line of a full staff against its strongest


def inked(field: Field, traces: list[Trace]) -> list[Trace]:
    """Staves without the lines that were only scratched; staves of such alone are dropped."""
    kept = []
    for trace in traces:
        every, colour = levels(field, trace.first, trace.rows)
        faded = (colour >= COLOURED * every) & (colour >= _FADED * field.dry)  # a furrow has no colour
        real = (every >= field.dry) & (every >= _FAINTEST * every.max()) | faded
        if real.all():
            kept.append(trace)
        elif real.any():
            kept.append(replace(trace, rows=trace.rows[real], seen=trace.seen[real]))
    return kept


def with_lone_lines(field: Field, traces: list[Trace], n_lines: int | None) -> list[Trace]:
    """Staves of one or two lines as well, on pages that have none of three or more.

    Parameters
    ----------
    field : Field
    traces : list of Trace
        Staves found so far.
    n_lines : int or None
        Lines of each staff where known.

    Returns
    -------
    list of Trace
    """
    full = [trace for trace in traces if len(trace.rows) > 2]
    if n_lines is not None and n_lines > 2:
        return [trace for trace in traces if len(trace.rows) == n_lines]
    ruled = [trace for trace in full if _evenly_inked(field, trace)]
    if n_lines is None and _alike(ruled) >= _FEW_STAVES:
        return full + [t for t in traces if len(t.rows) <= 2 and _cut_off(field, t)]
    lone = find_lone_lines(field, [])
    if n_lines is None and _with_own_lines(ruled, lone) >= _FEW_STAVES:
        return full + [t for t in traces if len(t.rows) <= 2 and _cut_off(field, t)]
    few = [_alone(trace, k) for trace in traces if len(trace.rows) <= 2 for k in range(len(trace.rows))]
    few = [trace for trace in few if not taken(lone, trace.first, trace.rows, 0.5 * field.space)]
    few = paired(field, lone + _as_coloured(field, few, lone), n_lines)
    if n_lines is not None:
        return few or [trace for trace in traces if len(trace.rows) == n_lines]
    if len(few) < _LEAST_LONE or not _aligned(field, few):
        few = [trace for trace in few if len(trace.rows) == 2]
    if _inked_length(few) <= _inked_length(ruled):
        return traces
    return few + [t for t in ruled if not taken(few, t.first, t.rows, t.space)]


def _evenly_inked(field: Field, trace: Trace) -> bool:
    """Whether the lines of a staff are of one strength; furrows between inked lines are weaker."""
    every, _ = levels(field, trace.first, trace.rows)
    return bool(every.min() >= _ONE_STRENGTH * every.max())


def _alike(traces: list[Trace]) -> int:
    """Most staves that have one number of lines and, nearly, one space."""
    return max(
        (
            sum(len(u.rows) == len(t.rows) and abs(u.space - t.space) <= _ONE_SIZE * t.space for u in traces)
            for t in traces
        ),
        default=0,
    )


def _with_own_lines(traces: list[Trace], lone: list[Trace]) -> int:
    """Staves of three or more lines of which so many were found alone as well, or none at all."""
    count = 0
    for trace in traces:
        inside = 0
        for line in lone:
            low, high = max(trace.first, line.first), min(trace.last, line.last)
            if high - low < 0.5 * (trace.last - trace.first):
                continue
            row = line.rows[0, low - line.first : high - line.first]
            ours = trace.rows[:, low - trace.first : high - trace.first]
            inside += float(np.median(np.abs(ours - row).min(axis=0))) < _SAME_LINE * trace.space
        count += inside == 0 or inside > 2
    return count


def _as_coloured(field: Field, few: list[Trace], lone: list[Trace]) -> list[Trace]:
    """Of further lines those with a colour like that of the coloured ones, if there are such."""
    if len(lone) < _LEAST_LONE:
        return few
    usual = float(np.median([levels(field, t.first, t.rows)[1][0] for t in lone]))
    return [t for t in few if levels(field, t.first, t.rows)[1][0] >= _FAINTEST * usual]


def _aligned(field: Field, few: list[Trace]) -> bool:
    """Whether most begin at one margin; line fillers begin wherever a text ends."""
    slope = float(np.median([_slope(trace) for trace in few]))
    starts = np.array([t.first + slope * float(t.rows[:, 0].mean()) / field.strip_px**2 for t in few])
    near = np.abs(starts[:, None] - starts[None, :]) <= _MARGIN_SPACES * field.per_space
    return bool(near.mean(axis=1).max() >= 0.6)


def _cut_off(field: Field, trace: Trace) -> bool:
    """Whether the edge of the picture may hide the other lines of a staff."""
    row = float(trace.rows.mean())
    return min(row, field.height - 1 - row) < _EDGE_SPACES * trace.space


def _inked_length(traces: list[Trace]) -> int:
    return sum(trace.rows.size for trace in traces)


def _slope(trace: Trace) -> float:
    return float((trace.rows[0, -1] - trace.rows[0, 0]) / max(1, trace.rows.shape[1] - 1))


def _alone(trace: Trace, k: int) -> Trace:
    return replace(trace, rows=trace.rows[[k]], seen=trace.seen[[k]])
