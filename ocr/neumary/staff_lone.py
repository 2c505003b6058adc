"""Staves of one or two coloured lines, and lines that were scratched but never inked.

Early ruling inks the F line red and the c line yellow, two staff spaces apart, and leaves
the rest of the grid as dry-point furrows, if it rules one at all (common practice; the
colours are told by medieval theory texts).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from neumary.lines import coherence, evidence, filaments, peaks, weighted_smooth
from neumary.staff_field import COLOURED, Field, Trace, levels, steadiness, taken, widths
from neumary.staff_grow import grow_line

_REACH_SPACES: Final = 3.0
_LEAST_SPACES: Final = 8.0  # a lone line is at least so long
_LEAST_SHARE: Final = 0.12  # and takes up so much of the page's width
_LONE: Final = 0.6  # mean coherence of a lone line
_FEW_STAVES: Final = 3  # so many staves of three or more lines settle it
_LEAST_LONE: Final = 3  # fewer single lines than this may be line fillers
_EDGE_SPACES: Final = 1.6  # a line so near to the picture's edge may belong to a cut staff
_MARGIN_SPACES: Final = 4.0  # staves that begin within so much of each other share a margin
_STEADY: Final = 0.5  # steadiness of a lone line, which has no neighbours to vouch for it
_BROAD: Final = 0.5  # its greatest width in staff spaces, themselves only guessed here
_FADED: Final = 0.3  # colour of a faded line against the strength of a furrow
_FAINTEST: Final = 0.2  # an inked line against the strongest of its staff
_PAIR: Final = 0.62  # distance of the two lines of a staff against that to the next staff
_PAIR_SPACES: Final = 2.0  # F and c line are a fifth apart
_STAFF_PITCH_SPACES: Final = 5.9  # staff to staff, own measurements on photographed choir books


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
    if len(full) >= _FEW_STAVES or (n_lines or 1) > 2:
        if n_lines is not None:
            return [trace for trace in traces if len(trace.rows) == n_lines]
        return full + [t for t in traces if len(t.rows) <= 2 and _cut_off(field, t)]
    few = [_alone(trace, k) for trace in traces if len(trace.rows) <= 2 for k in range(len(trace.rows))]
    few = _paired(field, few + _single_lines(field, few), n_lines)
    if n_lines is None and (len(few) < _LEAST_LONE or not _aligned(field, few)):
        few = [trace for trace in few if len(trace.rows) == 2]
    if _inked_length(few) <= _inked_length(full):
        return traces
    return few + [t for t in full if not taken(few, t.first, t.rows, t.space)]


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


def _alone(trace: Trace, k: int) -> Trace:
    return replace(trace, rows=trace.rows[[k]], seen=trace.seen[[k]])


def _single_lines(field: Field, traces: list[Trace]) -> list[Trace]:
    """Long unbroken coloured lines, clearest first, none twice."""
    likely = evidence(field.colour, field.colour)
    likeness = coherence(likely, _REACH_SPACES * field.per_space)
    found = peaks(likeness, 0.3 * field.space, 0.3)
    least = max(_LEAST_SPACES * field.per_space, _LEAST_SHARE * len(found))
    chains = filaments(found, likely, round(least), round(0.75 * field.per_space))
    means = [float(likeness[np.arange(a, a + len(rows)), rows].mean()) for a, rows in chains]
    lone: list[Trace] = []
    for i in np.argsort(
        -np.asarray([m * len(c[1]) for m, c in zip(means, chains, strict=True)]), kind="stable"
    ):
        first, chain = chains[i]
        rows = weighted_smooth(chain[None].astype(float), np.ones((1, len(chain))), 2.0 * field.per_space)
        every, colour = levels(field, first, rows)
        if means[i] < _LONE or colour[0] < max(field.dry, COLOURED * every[0]):
            continue
        broad = widths(field, first, rows, field.space)[0] > _BROAD * field.space
        if broad or steadiness(field, first, rows)[0] < _STEADY:
            continue
        trace = grow_line(field, first, rows[0])
        if trace is not None and not taken(traces + lone, trace.first, trace.rows, trace.space):
            lone.append(trace)
    return lone


def _paired(field: Field, lone: list[Trace], n_lines: int | None) -> list[Trace]:
    """Lone lines joined to staves of two where they stand in pairs; their spaces set."""
    slope = float(np.median([_slope(trace) for trace in lone])) if lone else 0.0
    lone = sorted(lone, key=lambda t: float(t.rows.mean()) - slope * (t.first + t.last) / 2)
    apart = [_apart(a, b) for a, b in pairwise(lone)]
    staves: list[Trace] = []
    i = 0
    while i < len(lone):
        if i < len(apart) and n_lines != 1 and _is_pair(field, apart, i):
            staves.append(_join(lone[i + 1], lone[i], apart[i] / _PAIR_SPACES))
            i += 2
        else:
            staves.append(lone[i])
            i += 1
    pitch = [a for a in apart if np.isfinite(a)]
    single = float(np.median(pitch)) / _STAFF_PITCH_SPACES if len(pitch) >= 2 else field.space
    return [trace if len(trace.rows) == 2 else replace(trace, space=single) for trace in staves]


def _slope(trace: Trace) -> float:
    return float((trace.rows[0, -1] - trace.rows[0, 0]) / max(1, trace.rows.shape[1] - 1))


def _apart(above: Trace, below: Trace) -> float:
    """Distance in pixels of two lines where they overlap; infinite where they do not."""
    low, high = max(above.first, below.first), min(above.last, below.last)
    if high - low < 0.5 * min(above.last - above.first, below.last - below.first):
        return float("inf")
    upper = above.rows[0, low - above.first : high - above.first]
    lower = below.rows[0, low - below.first : high - below.first]
    return float(np.median(lower - upper))


def _is_pair(field: Field, apart: list[float], i: int) -> bool:
    """Whether lines i and i + 1 are clearly nearer to each other than to their neighbours."""
    if not np.isfinite(apart[i]):
        return False
    beside = [apart[k] for k in (i - 1, i + 1) if 0 <= k < len(apart) and np.isfinite(apart[k])]
    return apart[i] < _PAIR * min(beside) if beside else apart[i] < 4.0 * field.space


def _join(lower: Trace, upper: Trace, space: float) -> Trace:
    """A staff of two lines, over the stretch both have."""
    low, high = max(lower.first, upper.first), min(lower.last, upper.last)
    cut_l, cut_u = (slice(low - t.first, high - t.first) for t in (lower, upper))
    return Trace(
        first=low,
        rows=np.vstack([lower.rows[:, cut_l], upper.rows[:, cut_u]]),
        seen=np.vstack([lower.seen[:, cut_l], upper.seen[:, cut_u]]),
        clear=lower.clear,
        space=space,
    )
