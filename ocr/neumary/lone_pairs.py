"""Lone lines to staves of one or two: which belong together, and how large the staff space is."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

import numpy as np

from neumary.staff_field import Field, Trace, levels

PAIR_SPACES: Final = 2.0  # the F and the c line are a fifth apart
_STAFF_PITCH_SPACES: Final = 5.9  # staff to staff, own measurements on photographed choir books
_ALIKE: Final = 0.22  # the pairs of a page differ by less than this share
_CLEARLY_WIDER: Final = 1.12  # from staff to staff it is at least so much further than within one
_FURTHER: Final = 1.25  # and usually so much further
_SPACES_PER_STROKE: Final = 2.6  # a staff space against the height of heads and letters at most
_LEAST_PAIRS: Final = 4  # so many show how a page's paints stand
_UNLIKE: Final = 0.08  # difference in purity of colour between two paints
_LEAST_PAIRED: Final = 0.3  # share of the lines that stand in pairs, where there are any
_LONE_PAIR_SPACES: Final = 4.0  # two lines alone on a page are a pair if this near
_OVERLAP: Final = 0.5  # of the shorter line


def paired(field: Field, lone: list[Trace], n_lines: int | None) -> list[Trace]:
    """Lone lines joined to staves of two where they stand in pairs; their spaces set.

    The distance of a pair is one for the whole page, and smaller than that from one staff to
    the next. Lines without a partner stay staves of one.

    Parameters
    ----------
    field : Field
    lone : list of Trace
        Of one line each.
    n_lines : int or None
        1 joins none.
    """
    below = _below(lone)
    pairs = {} if n_lines == 1 else _best_pairs(field, lone, below)
    if wrong := _against_the_rest(field, lone, pairs):
        pairs = _best_pairs(field, lone, below, wrong)
    staves = [
        _join(lone[low], lone[high], below[high][1] / PAIR_SPACES) for high, low in sorted(pairs.items())
    ]
    rest = [lone[i] for i in range(len(lone)) if i not in pairs and i not in pairs.values()]
    if staves:
        space = float(np.median([trace.space for trace in staves]))
    else:
        gaps = [gap for _, gap in below.values()]
        space = float(np.median(gaps)) / _STAFF_PITCH_SPACES if len(gaps) >= 2 else field.space
    return staves + [replace(trace, space=space) for trace in rest]


def _below(lone: list[Trace]) -> dict[int, tuple[int, float]]:
    """Next line below each, where the two see each other: its number, and how far it is."""
    found: dict[int, tuple[int, float]] = {}
    for i, upper in enumerate(lone):
        gaps = [(_apart(upper, lower), j) for j, lower in enumerate(lone) if j != i]
        near = [(gap, j) for gap, j in gaps if 1.0 < gap < np.inf]
        if near:
            gap, j = min(near)
            found[i] = j, gap
    return found


def _best_pairs(
    field: Field, lone: list[Trace], below: dict[int, tuple[int, float]], barred: Collection[int] = ()
) -> dict[int, int]:
    """Upper line -> lower line of each pair, under the distance that explains most of the page."""
    above: dict[int, int] = {}
    for i in sorted(below, key=lambda i: -below[i][1]):
        above[below[i][0]] = i  # the nearest comes last
    top_down = sorted(below, key=lambda i: (float(lone[i].rows.mean()), i))
    best: tuple[int, float] = (0, 0.0)
    chosen: dict[int, int] = {}
    for size in sorted({gap for _, gap in below.values()}):
        pairs: dict[int, int] = {}
        for i in top_down:
            j, gap = below[i]
            free = i not in barred and i not in pairs.values()
            if above.get(j) == i and free and abs(np.log(gap / size)) <= _ALIKE:
                pairs[i] = j
        if not pairs:
            continue
        close = sum(gap < _CLEARLY_WIDER * size for i, (_, gap) in below.items() if i not in pairs)
        score = 2 * len(pairs) - 3 * close, -float(np.std([np.log(below[i][1]) for i in pairs]))
        if score > best:
            best, chosen = score, pairs
    if not chosen or not _plausible(field, [below[i][1] for i in chosen], below, chosen):
        return {}
    if len(lone) == 2:
        return chosen if below[next(iter(chosen))][1] < _LONE_PAIR_SPACES * field.space else {}
    return chosen if 2 * len(chosen) >= _LEAST_PAIRED * len(lone) else {}


def _against_the_rest(field: Field, lone: list[Trace], pairs: dict[int, int]) -> set[int]:
    """Upper lines of pairs whose paints stand the other way round than in the page's other pairs."""
    if len(pairs) < _LEAST_PAIRS:
        return set()
    pure = {}
    for high, low in pairs.items():
        (every, colour), (other, tint) = (levels(field, t.first, t.rows) for t in (lone[high], lone[low]))
        pure[high] = float(colour[0] / max(every[0], 1e-3) - tint[0] / max(other[0], 1e-3))
    usual = float(np.median(list(pure.values())))
    if abs(usual) < _UNLIKE:
        return set()
    return {high for high, value in pure.items() if value * np.sign(usual) < -_UNLIKE}


def _plausible(
    field: Field, within: list[float], below: dict[int, tuple[int, float]], pairs: dict[int, int]
) -> bool:
    """Whether the pairs are of a size with the heads, and clearly nearer than the staves."""
    size = float(np.median(within))
    if field.stroke > 0 and size / PAIR_SPACES > _SPACES_PER_STROKE * field.stroke:
        return False
    between = [gap for i, (_, gap) in below.items() if i not in pairs]
    return not between or float(np.median(between)) >= _FURTHER * size


def _apart(above: Trace, below: Trace) -> float:
    """Distance in pixels of two lines where they overlap; infinite where they do not."""
    low, high = max(above.first, below.first), min(above.last, below.last)
    if high - low < _OVERLAP * min(above.last - above.first, below.last - below.first):
        return float("inf")
    upper = above.rows[0, low - above.first : high - above.first]
    lower = below.rows[0, low - below.first : high - below.first]
    return float(np.median(lower - upper))


def _join(lower: Trace, upper: Trace, space: float) -> Trace:
    """A staff of two lines, over the stretch either has; where one is missing it runs beside the other."""
    first, last = min(lower.first, upper.first), max(lower.last, upper.last)
    rows = np.full((2, last - first), np.nan)
    seen = np.zeros((2, last - first), dtype=bool)
    for k, trace in enumerate((lower, upper)):
        at = slice(trace.first - first, trace.last - first)
        rows[k, at], seen[k, at] = trace.rows[0], trace.seen[0]
    strips = np.arange(last - first)
    gap = rows[0] - rows[1]
    known = np.flatnonzero(~np.isnan(gap))
    gap = np.interp(strips, known, gap[known])
    rows[0] = np.where(np.isnan(rows[0]), rows[1] + gap, rows[0])
    rows[1] = np.where(np.isnan(rows[1]), rows[0] - gap, rows[1])
    return Trace(first=first, rows=rows, seen=seen, clear=lower.clear, space=space)
