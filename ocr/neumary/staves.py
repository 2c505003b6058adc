"""InkMap -> staves: lines traced as curves, grouped, bounded and put in reading order.

The tracing is in `staff_grow`, the page's joint decisions in `staff_settle`; for a survey
of the methods see C. Dalitz et al., "A comparative study of staff removal algorithms",
IEEE TPAMI 30(5), 2008.
"""

from __future__ import annotations

from neumary.staff_field import Trace, measure
from neumary.staff_grow import MOST_LINES, trace_staves
from neumary.staff_settle import settle
from neumary.staff_shape import build, with_area
from neumary.types import InkMap, Remark, Staff


def find_staves(ink: InkMap, *, lines: int | None = None) -> tuple[list[Staff], list[Remark]]:
    """Find all staves of a page.

    Parameters
    ----------
    ink : InkMap
        The page at working scale.
    lines : int, optional
        Number of lines of every staff, 0 to 5, where the user knows it; 0 finds none.

    Returns
    -------
    list of Staff
        In reading order, in original pixels.
    list of Remark
        Doubts: no staff at all, a staff with fewer lines than its neighbours.

    Raises
    ------
    ValueError
        If `lines` is not within 0..5.
    """
    if lines is not None and not 0 <= lines <= MOST_LINES:
        raise ValueError(f"a staff has 0 to {MOST_LINES} lines, not {lines}")
    field = measure(ink)
    traces: list[Trace] = []
    if field is not None and lines != 0:
        traces = settle(field, trace_staves(field, lines), lines)
    if not traces or field is None:
        return [], [Remark(code="no-staves", text="No staff lines were found on this page.")]
    ordered = reading_order(traces)
    staves = [build(ink, field, trace, column, i) for i, (column, trace) in enumerate(ordered)]
    staves = [
        with_area(staff, staves, ink.flat.shape[0] / ink.scale, ink.flat.shape[1] / ink.scale)
        for staff in staves
    ]
    return staves, _remarks(staves)


def reading_order(traces: list[Trace]) -> list[tuple[int, Trace]]:
    """Staves with their column: columns left to right, in each from top to bottom."""
    ordered: list[tuple[int, Trace]] = []
    for column, group in enumerate(_cut_columns(traces)):
        ordered += [(column, trace) for trace in _top_down(group)]
    return ordered


def _cut_columns(traces: list[Trace]) -> list[list[Trace]]:
    """Groups of staves between which no staff crosses."""
    groups: list[list[Trace]] = []
    reach = -1
    for trace in sorted(traces, key=lambda t: (t.first, t.last)):
        # Staves of one column need not begin alike, but they share most of their width.
        if groups and trace.first < reach - 0.1 * (trace.last - trace.first):
            groups[-1].append(trace)
        else:
            groups.append([trace])
        reach = max(reach, trace.last)
    return groups


def _top_down(group: list[Trace]) -> list[Trace]:
    """Top to bottom; of two at the same height the left one first."""
    rest = sorted(group, key=lambda t: float(t.rows.mean()))
    done: list[Trace] = []
    while rest:
        head = rest[0]
        beside = [t for t in rest if abs(float(t.rows.mean() - head.rows.mean())) < 1.5 * head.space]
        nearest = min(beside, key=lambda t: t.first)
        rest.remove(nearest)
        done.append(nearest)
    return done


def _remarks(staves: list[Staff]) -> list[Remark]:
    counts = [len(staff.lines) for staff in staves]
    usual = max(sorted(set(counts)), key=counts.count)
    return [
        Remark(
            code="line-count",
            text=f"Found {len(staff.lines)} lines where most staves of this page have {usual}.",
            staff=staff.id,
        )
        for staff in staves
        if len(staff.lines) != usual
    ]
