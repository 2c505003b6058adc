"""Seeds grown to staves: every long line-like chain of places is tried, clearest first.

The page is straightened along the seed and projected onto an axis across it; there a staff
shows as a short run of evenly spaced peaks, whatever its spacing, skew or curl. All lines
found vote together for the course of the staff over the rest of the page (dynamic
programming, after the stable paths of J. dos Santos Cardoso et al., IEEE TPAMI 31(6),
2009), so one line's gaps are bridged by its neighbours; then each line is followed alone.
A staff ends where its lines do: a gap is bridged where ink hides the lines, not where
parchment lies bare.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.lines import Floats, filaments, follow, peaks, runs, smooth_columns, weighted_smooth
from neumary.staff_field import (
    COLOURED,
    SEEN,
    STEADY,
    Field,
    Ints,
    Trace,
    contrast,
    hidden,
    is_drawn,
    levels,
    lit,
    pen_like,
    steadiness,
    taken,
)
from neumary.types import F32

MOST_LINES: Final = 5  # staves of plainchant have 1 to 5 lines (common practice)
_COMMON_LINES: Final = 4  # staves of chant most often have so many (common practice, no source)
_BETTER: Final = 1.1  # worth of a trace against those it replaces
_FAR_BETTER: Final = 1.4  # the same over their common stretch alone
_GAP_RANGE: Final = (0.55, 1.8)  # staff space against the page's commonest one
_UNEVEN: Final = 0.28  # a gap may differ this much from the one before
_SEED_LEAST: Final = 0.3  # coherence of the weakest place of a chain
_SEED_MEAN: Final = 0.45  # mean coherence of the weakest seed
_PATIENCE: Final = 50  # seeds without a staff after which the rest are text
_SEED_SPACES: Final = 3.0  # shortest seed
_HALF_SPACES: Final = 8.0  # a chain that fails is tried by halves down to this length
_CLEAR_SHARE: Final = 0.7  # share of its length over which a staff's middling line is seen
_CLEAR_SHARE_FEW: Final = 0.85  # the same for staves of one or two lines, which text can feign
_BRIDGED_SPACES: Final = 8.0  # longest hidden stretch of a staff
_BARE_SPACES: Final = 1.0  # longest bare stretch of a staff
_SHORTEST_SPACES: Final = 3.0  # shortest staff
_ON_STAFF: Final = 0.35  # contrast from which a place lies on a staff
_AS_GOOD: Final = 0.8  # share seen, against a staff's lines, that makes one more line of them
_ON_FILLED: Final = 0.65  # the same where ink fills the staff
_WEAK_LINE: Final = 0.45  # least share seen of a line, against its staff's middling line


def trace_staves(field: Field, n_lines: int | None) -> list[Trace]:
    """Trace all staves of a page, none of them checked against the others.

    Parameters
    ----------
    field : Field
    n_lines : int or None
        Lines of each staff where known.

    Returns
    -------
    list of Trace
        Clearest first.
    """
    per_space = field.per_space
    found = peaks(field.likeness, 0.3 * field.space, _SEED_LEAST)
    chains = filaments(found, field.evidence, round(_SEED_SPACES * per_space), round(0.75 * per_space))
    strength = np.asarray([_strength(field, first, rows) for first, rows in chains])
    order = [chains[i] for i in np.argsort(-strength, kind="stable") if strength[i] > 0]
    traces: list[Trace] = []
    if _sow(field, order, n_lines, traces):
        _sow(field, order, n_lines, traces)  # what was given up may have stood in the way of others
    return traces


def _sow(field: Field, chains: list[tuple[int, Ints]], n_lines: int | None, traces: list[Trace]) -> bool:
    """Try chains in turn, adding to `traces`; whether any trace was given up for a better one."""
    since = 0  # seeds tried since the last staff was found
    given_up = False
    for first, rows in chains:
        if since >= _PATIENCE:
            break
        known = list(traces)
        if not _try(field, first, rows, n_lines, traces) and len(rows) >= 2 * _HALF_SPACES * field.per_space:
            # A line may have run on into text, or into the next column's staff.
            half = len(rows) // 2
            for part, at in ((rows[:half], first), (rows[half:], first + half)):
                if _strength(field, at, part) > 0:
                    _try(field, at, part, n_lines, traces)
        new = any(all(trace is not old for old in known) for trace in traces)
        given_up |= any(all(trace is not old for trace in traces) for old in known)
        since = 0 if new else since + 1
    return given_up


def _try(field: Field, first: int, rows: Ints, n_lines: int | None, traces: list[Trace]) -> bool:
    """Grow a chain to a staff and add it to `traces`; whether nothing is left to be tried."""
    if _inside(traces, first, rows):
        return True
    trace = _grow(field, first, rows.astype(float), n_lines, traces)
    if trace is None:
        return False
    rivals = [known for known in traces if taken([known], trace.first, trace.rows, trace.space)]
    trace.worth = _worth(field, trace)
    if rivals and not _better(trace, rivals):
        return False
    traces[:] = [known for known in traces if all(known is not rival for rival in rivals)] + [trace]
    return True


def _better(trace: Trace, rivals: list[Trace]) -> bool:
    """Whether a trace is worth more than those in its way, or far more where it crosses them."""
    crossed = 0.0
    for rival in rivals:
        common = min(trace.last, rival.last) - max(trace.first, rival.first)
        crossed += rival.worth * common / rival.rows.shape[1]
    whole = sum(rival.worth for rival in rivals)
    return trace.worth >= _BETTER * whole or trace.worth >= _FAR_BETTER * crossed


def _worth(field: Field, trace: Trace) -> float:
    """Length of pen line a trace explains, in strips; less where its lines are unevenly apart."""
    pen = np.clip(pen_like(field, trace.first, trace.rows, trace.space), 0.0, 1.0)
    seen = trace.seen.sum(axis=1)
    return float((pen * seen).sum()) * _evenness(trace.rows)


def _evenness(rows: Floats) -> float:
    """1 where lines are equally far apart, less where not; 0.2 at least."""
    gaps = -np.diff(rows, axis=0).mean(axis=1)
    return max(0.2, 1.0 - float(np.ptp(gaps) / gaps.mean())) if len(gaps) > 1 else 1.0


def _strength(field: Field, first: int, rows: Ints) -> float:
    """How good a seed a chain is; 0 for chains no line would give."""
    along = float(field.likeness[np.arange(first, first + len(rows)), rows].mean())
    if along < _SEED_MEAN:
        return 0.0
    steady = float(steadiness(field, first, rows[None].astype(float))[0])
    if steady < 0.5 * STEADY:
        return 0.0
    return along**2 * len(rows) * min(1.0, steady)


def _inside(traces: list[Trace], first: int, rows: Ints) -> bool:
    """Whether more than half of a chain lies within a staff already traced."""
    covered = np.zeros(len(rows), dtype=bool)
    for trace in traces:
        low, high = max(first, trace.first), min(first + len(rows), trace.last)
        if low < high:
            part = rows[low - first : high - first]
            span = trace.rows[:, low - trace.first : high - trace.first]
            covered[low - first : high - first] |= (part < span[0] + 0.6 * trace.space) & (
                part > span[-1] - 0.6 * trace.space
            )
    return bool(covered.mean() > 0.5)


def _grow(field: Field, first: int, rows: Floats, n_lines: int | None, traces: list[Trace]) -> Trace | None:
    """A staff grown from one chain, or None if there is none around it."""
    rows = weighted_smooth(rows[None], np.ones((1, len(rows))), 2.0 * field.per_space)[0]
    offsets = _offsets(field, first, rows, n_lines, mixed=False)
    if offsets is None or len(offsets) < (n_lines or _COMMON_LINES):
        # A coloured line may have black ones beside it.
        mixed = _offsets(field, first, rows, n_lines, mixed=True)
        if mixed is not None and len(mixed) > (0 if offsets is None else len(offsets)):
            offsets = mixed
    if offsets is None:
        return None
    across = rows + offsets[:, None]
    space = float(np.abs(np.diff(offsets)).mean())
    if _outdone(field, first, across, space, traces) or not is_drawn(field, first, across, space):
        return None
    clear = calibrate(field, first, across)
    course = _course(field, clear, first, rows, offsets)
    span = _span(field, clear, course, offsets, first + len(rows) // 2)
    if span is None:
        return None
    low, high = span
    trace = refine(field, clear, course[low:high] + offsets[:, None], low)
    if trace is None:
        # Beyond the seed the course may have run on into another column.
        slack = round(_BARE_SPACES * field.per_space)
        low, high = max(low, first - slack), min(high, first + len(rows) + slack)
        if (low, high) != span and high - low >= _SHORTEST_SPACES * field.per_space:
            trace = refine(field, clear, course[low:high] + offsets[:, None], low)
    return trace


def _outdone(field: Field, first: int, rows: Floats, space: float, traces: list[Trace]) -> bool:
    """Whether the staves already traced explain the seed's stretch better than its own lines would."""
    rivals = [known for known in traces if taken([known], first, rows, space)]
    if not rivals:
        return False
    last = first + rows.shape[1]
    theirs = sum(
        known.worth * (min(last, known.last) - max(first, known.first)) / known.rows.shape[1]
        for known in rivals
    )
    ours = np.clip(pen_like(field, first, rows, space), 0.0, 1.0)
    ours *= (lit(rivals[0].clear, rows, 1.0, first) > SEEN).sum(axis=1)
    return bool(float(ours.sum()) * _evenness(rows) < theirs)


def calibrate(
    field: Field, first: int, rows: Floats, *, mixed: bool = False, within: slice | None = None
) -> F32:
    """Evidence 0..1 on this staff's own scale: 1 is the usual strength of its lines.

    Where all its lines are coloured, only coloured ink counts, so black text and notes vanish.
    With `mixed`, all ink counts. Only the strips `within` are given where asked for.
    """
    every, colour = levels(field, first, rows)
    tinted = colour >= COLOURED * every
    strips = within or slice(None)
    if mixed or not tinted.all():
        clear = field.every[strips] / max(float(np.median(every)), 2.0)
        if 2 * tinted.sum() >= len(rows) > 1 and not mixed:
            clear = np.maximum(clear, field.colour[strips] / max(float(np.median(colour[tinted])), 2.0))
    else:
        clear = field.colour[strips] / max(float(np.median(colour)), 2.0)
    return np.asarray(np.minimum(clear, 1.0, out=clear), dtype=np.float32)


def _profile(clear: F32, rows: Floats, reach: int) -> Floats:
    """Share of strips in which a line is seen, at each distance from a path.

    Distances run from `-reach` to `reach` pixels; a row of slack either way is allowed.
    """
    strips = np.arange(len(rows))
    at = np.rint(rows).astype(int)[:, None] + np.arange(-reach - 1, reach + 2)
    inside = (at >= 0) & (at < clear.shape[1])
    lit = (clear[strips[:, None], np.clip(at, 0, clear.shape[1] - 1)] > SEEN) & inside
    near = lit[:, :-2] | lit[:, 1:-1] | lit[:, 2:]
    return np.asarray(near.mean(axis=0), dtype=np.float64)


def _offsets(field: Field, first: int, rows: Floats, n_lines: int | None, *, mixed: bool) -> Floats | None:
    """Distances of a staff's lines from the seed, bottom line first; None if no staff."""
    space = field.space
    clear = calibrate(field, first, rows[None], mixed=mixed, within=slice(first, first + len(rows)))
    reach = round(MOST_LINES * _GAP_RANGE[1] * space)
    profile = _profile(clear, rows, reach)
    smooth = cv2.blur(profile[None], (3, 1))[0]
    width = max(1, round(0.2 * space))
    highest = cv2.dilate(smooth[None], np.ones((1, 2 * width + 1), np.uint8))[0]
    places = np.flatnonzero((smooth >= highest) & (smooth > 0.15)) - reach
    gaps = np.abs(places)
    gaps = np.unique(gaps[(gaps >= _GAP_RANGE[0] * space) & (gaps <= _GAP_RANGE[1] * space)])
    best: tuple[float, Floats | None] = (0.0, None)
    tried = -np.inf
    for gap in gaps.tolist():
        if gap - tried < 0.06 * space:
            continue  # the same run of lines again
        tried = gap
        found = _comb(smooth, places, float(gap), n_lines)
        if found[0] > best[0]:
            best = found
    return best[1]


def _comb(profile: Floats, places: Ints, gap: float, n_lines: int | None) -> tuple[float, Floats | None]:
    """Best run of evenly spaced peaks through the seed; its score is contrast times lines."""
    middle = len(profile) // 2
    chain = [0]
    for way in (1, -1):
        last, step = 0, gap
        for _ in range(MOST_LINES):
            near = places[np.abs(places - (last + way * step)) <= _UNEVEN * step]
            if not len(near):
                break
            top = int(near[int(np.argmax(profile[near + middle]))])
            step = 0.5 * (step + abs(top - last))
            last = top
            chain.append(last)
    at = np.asarray(sorted(chain, reverse=True))
    high = profile[at + middle]
    between = np.array([_between(profile, middle + b, middle + a) for a, b in pairwise(at)])
    padded = np.concatenate([[0.0], high, [0.0]])
    best: tuple[float, Floats | None] = (0.0, None)
    for size in (n_lines,) if n_lines else range(2, MOST_LINES + 1):
        for low in range(len(at) - size + 1):
            if size < 2 or not at[low] >= 0 >= at[low + size - 1]:
                continue
            part, gaps = high[low : low + size], between[low : low + size - 1]
            level, valley = sorted(part.tolist())[size // 2], sum(gaps.tolist()) / len(gaps)
            if part.min() < _WEAK_LINE * level or part.min() - valley < 0.3 * level:
                continue
            if not n_lines and _run_length(high > _AS_GOOD * level, low) > MOST_LINES:
                continue  # text or ruling that goes on evenly
            # A line left out just outside is as bad as one taken in without being there.
            outside = max(0.0, max(padded[low], padded[low + size + 1]) - _WEAK_LINE * level)
            score = float(part.sum()) - size * valley - 2 * outside
            if score > best[0]:
                best = score, at[low : low + size].astype(float)
    return best


def _run_length(on: npt.NDArray[np.bool_], place: int) -> int:
    """Length of the run of true values around a place; 0 if there is none."""
    return next((high - low for low, high in runs(on) if low <= place < high), 0)


def _between(profile: Floats, low: int, high: int) -> float:
    """Share seen half way between two lines."""
    margin = round(0.3 * (high - low))
    return float(profile[low + margin : high - margin + 1].mean())


def _course(field: Field, clear: F32, first: int, rows: Floats, offsets: Floats) -> Floats:
    """Row of the seed line over the whole page, all lines of the staff voting."""
    n_strips, height = clear.shape
    tail = max(2, min(len(rows), round(10 * field.per_space)))
    base = np.empty(n_strips)
    base[first : first + len(rows)] = rows
    for inner, outer in (
        (slice(0, tail), np.arange(first)),
        (slice(-tail, None), np.arange(first + len(rows), n_strips)),
    ):
        strips = np.arange(first, first + len(rows))[inner]
        slope = float(np.polyfit(strips, rows[inner], 1)[0]) if len(strips) > 1 else 0.0
        anchor = strips[0] if inner.start == 0 else strips[-1]
        value = rows[0] if inner.start == 0 else rows[-1]
        base[outer] = value + slope * (outer - anchor)
    window = np.arange(-round(1.2 * field.space), round(1.2 * field.space) + 1)
    at = np.rint(base).astype(int)[:, None] + window
    gain = np.zeros(at.shape, dtype=np.float32)
    near = cv2.dilate(clear, np.ones((1, 3), np.uint8))
    for offset in offsets:
        rows_at = at + round(float(offset))
        inside = (rows_at >= 0) & (rows_at < height)
        gain += np.where(inside, near[np.arange(n_strips)[:, None], np.clip(rows_at, 0, height - 1)], 0.0)
    gain[first : first + len(rows)] -= (0.02 * np.abs(window)).astype(np.float32)
    path = follow(gain[None], 0.35)[0]
    return np.asarray(np.rint(base) + window[path], dtype=np.float64)


def _span(field: Field, clear: F32, course: Floats, offsets: Floats, centre: int) -> tuple[int, int] | None:
    """First and one past last strip of the staff around the seed's centre."""
    rows = course[None, :] + offsets[:, None]
    space = _gap(offsets[:, None], field.space)
    on = _on_staff(field, clear, rows, 0, space)
    covered = hidden(field, rows)
    merged: list[tuple[int, int]] = []
    for low, high in runs(on):
        if merged:
            gap = slice(merged[-1][1], low)
            bare = float((~covered[gap]).sum()) / field.per_space
            if (gap.stop - gap.start) / field.per_space <= _BRIDGED_SPACES and bare <= _BARE_SPACES:
                merged[-1] = (merged[-1][0], high)
                continue
        merged.append((low, high))
    if not merged:
        return None
    around = [run for run in merged if run[0] <= centre < run[1]] or merged
    low, high = max(around, key=lambda run: run[1] - run[0])
    return (low, high) if (high - low) / field.per_space >= _SHORTEST_SPACES else None


def _gap(rows: Floats, otherwise: float) -> float:
    """Mean distance between neighbouring lines."""
    return float(np.abs(np.diff(rows, axis=0)).mean()) if len(rows) > 1 else otherwise


def _on_staff(field: Field, clear: F32, rows: Floats, first: int, space: float) -> npt.NDArray[np.bool_]:
    """Strips around which a staff's lines are seen, and not just as much between them.

    Where ink fills the staff, as a picture does, the lines must be seen the better.
    """
    reach = round(0.75 * field.per_space)
    seen = smooth_columns(contrast(clear, rows, space, first), reach)
    filled = smooth_columns(hidden(field, rows, first).astype(float), 2 * reach) > 0.9
    return np.asarray(seen >= np.where(filled, _ON_FILLED, _ON_STAFF))


def refine(field: Field, clear: F32, rows: Floats, first: int) -> Trace | None:
    """Follow each line by itself, to a fraction of a pixel; None if it is no staff after all.

    Parameters
    ----------
    field : Field
    clear : ndarray of float32, shape (n_strips of the page, H)
        Evidence on the staff's own scale.
    rows : ndarray of float64, shape (n_lines, n_strips)
        Where the lines are thought to run, to a third of a staff space.
    first : int
        First strip of `rows`.
    """
    space = _gap(rows, field.space)
    rows = follow_each(field, clear, rows, first, 0.35 * space)
    on = np.flatnonzero(_on_staff(field, clear, rows, first, space))
    if len(on) < _SHORTEST_SPACES * field.per_space:
        return None
    if on[0] > 0 or on[-1] < rows.shape[1] - 1:
        first, rows = first + int(on[0]), rows[:, on[0] : on[-1] + 1]
        rows = follow_each(field, clear, rows, first, 0.2 * space)
    seen = lit(clear, rows, 1.0, first) > SEEN
    inside = (rows > 1) & (rows < field.height - 3)  # the picture may cut a line off
    share = seen.mean(axis=1) / np.maximum(inside.mean(axis=1), 0.1)
    kept = np.flatnonzero(share >= _WEAK_LINE * np.median(share))
    outer = slice(int(kept[0]), int(kept[-1]) + 1)
    rows, seen, share = rows[outer], seen[outer], share[outer]
    if float(np.median(share)) < (_CLEAR_SHARE if len(rows) > 2 else _CLEAR_SHARE_FEW):
        return None
    gaps = -np.diff(rows, axis=0) if len(rows) > 1 else np.full((1, 1), field.space)
    if (gaps <= 0.3 * space).mean() > 0.1 or not is_drawn(field, first, rows, space):
        return None
    return Trace(first=first, rows=rows, seen=seen, clear=clear, space=float(np.median(gaps)))


def follow_each(field: Field, clear: F32, rows: Floats, first: int, reach: float) -> Floats:
    """Follow every line within `reach` pixels of where it was thought to run."""
    half = max(1, round(reach))
    window = np.arange(-half, half + 1)
    height = clear.shape[1]
    strips = np.arange(first, first + rows.shape[1])
    at = np.clip(np.rint(rows).astype(int)[..., None] + window, 0, height - 1)
    gain = clear[strips[None, :, None], at] - (0.02 * np.abs(window) / half).astype(np.float32)
    path = follow(gain, 0.15)
    best = np.clip(np.rint(rows).astype(int) + window[path], 1, height - 2)
    # The summit between pixels: a parabola through three places (common practice).
    here = clear[strips[None, :], best]
    above = clear[strips[None, :], best - 1]
    below = clear[strips[None, :], best + 1]
    bend = np.minimum(above + below - 2 * here, -1e-3)
    fine = best + np.clip(0.5 * (above - below) / bend, -0.5, 0.5)
    weight = np.where(here > 0.25, here, 0.0) ** 2
    return weighted_smooth(fine, weight, 1.5 * field.per_space)
