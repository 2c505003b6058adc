"""Long coloured lines that stand alone: found as chains, joined over their breaks, followed.

Red, yellow and other paint is looked for in the coloured ink only, where the text and the
notes do not show. A line that stops and resumes is one line; what is missing between is
bridged straight and counts as unseen.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary.lines import Floats, coherence, evidence, filaments, peaks, weighted_smooth
from neumary.staff_field import COLOURED, SEEN, Field, Trace, levels, lit, steadiness, taken, widths
from neumary.staff_grow import follow_each
from neumary.types import F32

# Design figures, set on rendered pages; lengths in staff spaces as first guessed for the page.
_REACH_SPACES: Final = 3.0
_PIECE_SPACES: Final = 4.0  # a piece of a line is at least so long
_LEAST_SPACES: Final = 8.0  # a whole line is at least so long
_LEAST_SHARE: Final = 0.12  # and takes up so much of the page's width
_LONE: Final = 0.45  # mean coherence of a piece
_STRONG: Final = 0.6  # against the level of scratched lines: yellow paint is pale
_PALEST: Final = 0.2  # colour of a line against that of the page's strong ones
_STEADY: Final = 0.25  # steadiness; ornament and text reach about 0
_BROAD: Final = 0.62  # greatest width, in spaces
_BROAD_PX: Final = 4.0  # or in working pixels, blur included
_GAP_SHARE: Final = 0.2  # longest break, against the page's width
_MEETING: Final = 0.3  # pieces that continue each other meet within so many spaces
_SLOPE_SPACES: Final = 8.0  # the end of a piece that shows where it would go on
_BEYOND_SPACES: Final = 5.0  # an end is sought so far beyond a piece


def find_lone_lines(field: Field, traces: list[Trace]) -> list[Trace]:
    """Coloured lines outside the staves already traced, each as a staff of one line.

    Parameters
    ----------
    field : Field
    traces : list of Trace
        Staves found so far.

    Returns
    -------
    list of Trace
        Clearest first.
    """
    likely = evidence(field.colour, field.colour)
    likeness = coherence(likely, _REACH_SPACES * field.per_space)
    found = peaks(likeness, 0.3 * field.space, 0.3)
    short = max(4, round(min(_PIECE_SPACES * field.per_space, 0.1 * len(found))))
    pieces: list[tuple[float, int, Floats]] = []
    for first, chain in filaments(found, likely, short, round(0.75 * field.per_space)):
        clear = float(likeness[np.arange(first, first + len(chain)), chain].mean())
        rows = weighted_smooth(chain[None].astype(float), np.ones((1, len(chain))), 2.0 * field.per_space)[0]
        if clear >= _LONE and _painted(field, first, rows):
            pieces.append((clear * len(chain), first, rows))
    least = max(min(_LEAST_SPACES * field.per_space, 0.3 * len(found)), _LEAST_SHARE * len(found))
    lines = _without_furrows(field, [line for line in _join(field, pieces) if line[2].sum() >= least])
    lone: list[Trace] = []
    for first, rows, _ in sorted(lines, key=lambda line: -int(line[2].sum())):
        trace = _follow(field, likely, first, rows)
        if not taken(traces + lone, trace.first, trace.rows, 0.5 * field.space):
            lone.append(trace)
    return lone


def _without_furrows(
    field: Field, lines: list[tuple[int, Floats, Floats]]
) -> list[tuple[int, Floats, Floats]]:
    """Lines not much paler than the page's strongest: scratched lines take a tinge from the parchment."""
    if not lines:
        return lines
    colours = np.array([levels(field, first, rows[None])[1][0] for first, rows, _ in lines])
    strong = float(np.percentile(colours, 75))
    return [line for line, colour in zip(lines, colours, strict=True) if colour >= _PALEST * strong]


def _painted(field: Field, first: int, rows: Floats) -> bool:
    every, colour = levels(field, first, rows[None])
    if every[0] < _STRONG * field.dry or colour[0] < max(COLOURED * every[0], 0.4 * field.dry):
        return False
    broad = widths(field, first, rows[None], field.space)[0]
    if broad > max(_BROAD * field.space, _BROAD_PX):
        return False
    return bool(steadiness(field, first, rows[None])[0] >= _STEADY)


def _join(field: Field, pieces: list[tuple[float, int, Floats]]) -> list[tuple[int, Floats, Floats]]:
    """Pieces that continue each other as one line: first strip, rows, which strips were drawn."""
    lines = [(first, rows, np.ones(len(rows))) for _, first, rows in pieces]
    longest = _GAP_SHARE * len(field.every)
    while True:
        best: tuple[float, int, int] | None = None
        for i, (a, left, _) in enumerate(lines):
            for j, (b, right, _) in enumerate(lines):
                gap = b - a - len(left)
                if i == j or not -2 <= gap <= longest:
                    continue
                missed = _missed(field, a, left, b, right)
                if missed <= _MEETING * field.space and (best is None or gap + missed < best[0]):
                    best = gap + missed, i, j
        if best is None:
            return lines
        _, i, j = best
        bridged = _bridge(lines[i], lines[j])
        lines = [line for k, line in enumerate(lines) if k not in (i, j)] + [bridged]


def _missed(field: Field, a: int, left: Floats, b: int, right: Floats) -> float:
    """How far two pieces, drawn on, miss each other in the middle of the gap; the better of two ways."""
    middle = (a + len(left) + b) / 2
    tail = max(3, round(_SLOPE_SPACES * field.per_space))

    def drawn_on(start: int, rows: Floats, end: slice) -> tuple[float, float]:
        strips = np.arange(start, start + len(rows))[end]
        slope, at = np.polyfit(strips - middle, rows[end], 1) if len(strips) > 2 else (0.0, rows[end].mean())
        return float(at), float(slope)

    from_left, rise = drawn_on(a, left, slice(-tail, None))
    from_right, fall = drawn_on(b, right, slice(0, tail))
    half = (b - a - len(left)) / 2
    level = abs((from_left - rise * half) - (from_right + fall * half))  # as if it ran on level
    return min(abs(from_left - from_right), level)


def _bridge(one: tuple[int, Floats, Floats], other: tuple[int, Floats, Floats]) -> tuple[int, Floats, Floats]:
    (a, left, seen_left), (b, right, seen_right) = one, other
    cut = max(0, a + len(left) - b)  # pieces may overlap by a strip or two
    right, seen_right, b = right[cut:], seen_right[cut:], b + cut
    gap = b - a - len(left)
    between = np.linspace(left[-1], right[0], gap + 2)[1:-1]
    return a, np.concatenate([left, between, right]), np.concatenate([seen_left, np.zeros(gap), seen_right])


def _follow(field: Field, likely: F32, first: int, rows: Floats) -> Trace:
    """A line to a fraction of a pixel, drawn on at both ends as far as its paint goes."""
    first, rows = _drawn_on(field, likely, first, rows)
    fine = follow_each(field, likely, rows[None], first, 0.15 * field.space)
    seen = lit(likely, fine, 1.0, first) > SEEN
    return Trace(first=first, rows=fine, seen=seen, clear=likely, space=field.space)


def _drawn_on(field: Field, likely: F32, first: int, rows: Floats) -> tuple[int, Floats]:
    beyond = round(_BEYOND_SPACES * field.per_space)
    tail = max(3, round(_SLOPE_SPACES * field.per_space))
    before, after = min(beyond, first), min(beyond, len(likely) - first - len(rows))
    start = _on(rows[:tail][::-1], before)[::-1]
    longer = np.clip(np.concatenate([start, rows, _on(rows[-tail:], after)]), 2, field.height - 3)
    seen = lit(likely, longer[None], 0.12 * field.space, first - before)[0] > SEEN
    low, high = before, before + len(rows)
    while low > 0 and seen[max(0, low - 4) : low].mean() >= 0.5:
        low -= 1
    while high < len(longer) and seen[high : high + 4].mean() >= 0.5:
        high += 1
    return first - before + low, longer[low:high]


def _on(rows: Floats, count: int) -> Floats:
    """The course of a line's end carried on straight."""
    slope = float(np.polyfit(np.arange(len(rows)), rows, 1)[0]) if len(rows) > 2 else 0.0
    return np.asarray(rows[-1] + slope * np.arange(1, count + 1), dtype=np.float64)
