"""InkMap -> staves: found by the leaf network, followed in the ink, bounded, in reading order.

The network says where staves lie (`leaf_map`), the votes of its cells make bands
(`staff_bands`), the lines are followed in the ink (`staff_lines`). For a survey of older methods
see C. Dalitz et al., "A comparative study of staff removal algorithms", IEEE TPAMI 30(5), 2008.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from neumary.columns import order_staves
from neumary.leaf_looks import look_around
from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.lone_lines import painted, steady_line, without_strays
from neumary.ruling import without_ruling
from neumary.script_scale import never_written_on, under_words
from neumary.shine_through import shines_through
from neumary.staff_bands import MOST_LINES, Band, as_asked
from neumary.staff_comb import count_lines, find_combs, lines_of
from neumary.staff_edges import with_edge_lines
from neumary.staff_growth import column_reach, grow, met
from neumary.staff_gutters import each_once, extent_of, part_at_gutters
from neumary.staff_lines import Course, InkStrips, average, follow_lines, follow_rows, ink_profile
from neumary.staff_shape import build, with_area
from neumary.staff_trust import TRUSTED_WELL, drawn, trusted, without_lone
from neumary.types import F32, Bool, InkMap, Remark, Staff
from neumary_models.zoo import LoadedModel

_FULL_LINES: Final = 3
_LINE_SEEN: Final = 0.5  # mean probability of a line's own middle; on rendered lines from 0.6 on
_WORN_LINE: Final = 0.3  # the same where most other staves of the page are surely some
_WITNESSES: Final = 3
_MOST_SURE: Final = 0.7
_EDGE_SPACES: Final = 0.4  # so near to the picture's edge a line may be one that the edge cuts off
_LINE_AT_EDGE: Final = 0.35
_PART_INSIDE: Final = 0.22  # of a line's way, that the picture's edge leaves of it
_DOUBTED: Final = 0.8  # mean probability of a staff under which its comb must speak for it as well
_WEAK_COMB: Final = 1.9  # on rendered staves mostly 2 to 4
_NO_STAVES: Final = Remark(code="no-staves", text="No staff lines were found on this page.")
_SAME_STRIPS: Final = 1.1  # staves whose spaces differ less share their strips of ink


@dataclass(frozen=True, slots=True, eq=False)
class FoundStaves:
    """What was found on a page.

    Attributes
    ----------
    staves : list of Staff
        In reading order, in original pixels.
    remarks : list of Remark
        Doubts: no staff at all, a staff with fewer lines than its neighbours.
    seen : LeafMap
        The network's map they were found on.
    space_px : float
        Staff space of the page in working pixels, or the guess that found nothing.
    """

    staves: list[Staff]
    remarks: list[Remark]
    seen: LeafMap
    space_px: float


def find_staves(ink: InkMap, model: LoadedModel, *, lines: int | None = None) -> FoundStaves:
    """Find all staves of a page.

    Parameters
    ----------
    ink : InkMap
        The page at working scale.
    model : LoadedModel
        The leaf network.
    lines : int, optional
        Number of lines of every staff, 0 to 5, where the user knows it; 0 finds none.

    Returns
    -------
    FoundStaves

    Raises
    ------
    ValueError
        If `lines` is not within 0..5.
    """
    if lines is not None and not 0 <= lines <= MOST_LINES:
        raise ValueError(f"a staff has 0 to {MOST_LINES} lines, not {lines}")
    looks = look_around(ink, model)
    chosen = looks[0]
    courses: list[Course] = []
    for one in looks if lines != 0 else []:
        found = _courses(ink, one.seen, one.bands, lines)
        least = 0.0 if one is looks[0] else TRUSTED_WELL
        courses = drawn(ink, found if lines else trusted(one.seen, found, least))
        chosen = one if courses else chosen
        if found:
            break
    seen, space = chosen.seen, chosen.space_px
    if not courses:
        return FoundStaves([], [_NO_STAVES], seen, space)
    ordered = reading_order(courses)
    staves = [build(ink, course, column, i) for i, (column, course) in enumerate(ordered)]
    staves = without_ruling(ink, seen, staves) if lines is None else staves
    height, width = (side / ink.scale for side in ink.flat.shape[:2])
    staves = [with_area(staff, staves, height, width) for staff in staves]
    none_here = (under_words, never_written_on, shines_through)
    if lines is None and any(told(seen, ink, staves) for told in none_here):
        return FoundStaves([], [_NO_STAVES], seen, space)
    cut = {staff.id: course.cut for staff, (_, course) in zip(staves, ordered, strict=True) if course.cut}
    return FoundStaves(staves, _remarks(staves, cut), seen, space)


def _courses(ink: InkMap, seen: LeafMap, bands: list[Band], asked: int | None) -> list[Course]:
    """Lines of all that looks like a staff."""
    strips = _strips(ink, [band.space * seen.cell_px[0] for band in bands])
    combs = [
        find_combs(seen, band, partial(_ink_beside, near, seen, band.first))
        for band, near in zip(bands, strips, strict=True)
    ]
    fits: list[tuple[Course, InkStrips, float]] = []
    paint: dict[int, InkStrips] = {}
    for band, near, comb, count in zip(bands, strips, combs, count_lines(combs), strict=True):
        if band.p < _DOUBTED and count >= _FULL_LINES and comb.strength(count) < _WEAK_COMB:
            continue
        cells, space = lines_of(comb, count, band.space)
        if asked and asked != count:
            cells = as_asked(seen, band, cells, space, asked)
        line_p = _line_p(seen, cells, band.first)
        if len(cells) == 1:
            if near.strip_px not in paint:
                paint[near.strip_px] = painted(ink, near)
            both, middle = (near, paint[near.strip_px]), (band.top + band.bottom) / 2
            cells = steady_line(both, seen, middle, cells, band.first, space * seen.cell_px[0])
            line_p = np.maximum(line_p, _line_p(seen, cells, band.first))
        inside = _within_picture(seen, cells, band.first, space)
        kept = cells[inside]
        course = follow_lines(near, seen, kept, band.first, space * seen.cell_px[0]) if len(kept) else None
        if course is not None:
            course = replace(course, cut=len(cells) - len(kept))
            fits.append((course, near, float(line_p[inside].max())))
    believed = _believed([(len(course.rows), line_p) for course, _, line_p in fits])
    courses = [course for (course, *_), keep in zip(fits, believed, strict=True) if keep]
    inks = [near for (_, near, _), keep in zip(fits, believed, strict=True) if keep]
    reaches = [column_reach(one, courses) for one in courses]
    for i, one in enumerate(courses):
        courses[i] = without_strays(seen, _grown(inks[i], seen, one, courses, reaches[i]))
    if not asked:
        alike = [_as_its_column(one, courses) for one in courses]
        for i, one in enumerate(courses):
            courses[i] = one if alike[i] else with_edge_lines(ink, inks[i], seen, one, courses)
    courses = each_once(part_at_gutters(met(courses)))
    return courses if asked else without_lone(courses, ink.flat.shape[0])


def _as_its_column(course: Course, courses: list[Course]) -> bool:
    """Whether most other staves above and below a staff have as many lines as it."""
    counts = [
        len(other.rows)
        for other in courses
        if other is not course and other.cols[0] < course.cols[-1] and other.cols[-1] > course.cols[0]
    ]
    return counts.count(len(course.rows)) > len(counts) / 2


def _strips(ink: InkMap, spaces: list[float]) -> list[InkStrips]:
    """Ink averaged for each of some staff spaces; those near one another share it."""
    done: list[tuple[float, InkStrips]] = []
    out = []
    for space in spaces:
        near = [strips for size, strips in done if max(size / space, space / size) < _SAME_STRIPS]
        if not near:
            near = [average(ink, space)]
            done.append((space, near[0]))
        out.append(near[0])
    return out


def _ink_beside(
    strips: InkStrips, seen: LeafMap, first: int, centre: Floats, reach: float
) -> tuple[Floats, Floats]:
    return ink_profile(strips, seen, centre, first, reach)


def _grown(
    strips: InkStrips, seen: LeafMap, course: Course, others: list[Course], reach: tuple[float, float]
) -> Course:
    """A staff as far as its lines run; without those that mostly lie beyond the picture."""
    more = grow(strips, seen, course, others, reach)
    if more is None:
        return course
    first, rows = more
    inside = np.mean((rows >= 0) & (rows < strips.total.shape[1]), axis=1) > _PART_INSIDE
    cut = course.cut + int((~inside).sum())
    return replace(follow_rows(strips, seen, rows[inside], first, course.space), cut=cut)


def _within_picture(seen: LeafMap, cells: Floats, first: int, space: float) -> Bool:
    """Which lines run within the picture for most of their way, or are seen there on a part of it.

    At the picture's very edge all must be seen.
    """
    low, high, near = -0.5, seen.line.shape[0] - 0.5, _EDGE_SPACES * space
    inside = (cells >= low) & (cells <= high)
    clear = np.mean((cells >= low + near) & (cells <= high - near), axis=1) > 0.5
    p = np.where(inside, _lines_at(seen, cells, first), 0.0).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
    share = inside.mean(axis=1)
    most = (share > 0.5) & (clear | (p >= _LINE_AT_EDGE))
    return np.asarray(most | ((share >= _PART_INSIDE) & (p >= _LINE_SEEN)))


def _believed(fits: list[tuple[int, float]]) -> list[bool]:
    """Staves of many lines, and of few those of which the map sees a line itself; others may be text.

    Of each the number of lines and the map's probability of the clearest is asked. Where most staves
    of a page are believed, a worn one among them is too.
    """
    sure = [count >= _FULL_LINES or line_p >= _LINE_SEEN for count, line_p in fits]
    usual = sum(sure) >= max(_WITNESSES, _MOST_SURE * len(sure))
    return [one or (usual and line_p >= _WORN_LINE) for one, (_, line_p) in zip(sure, fits, strict=True)]


def _line_p(seen: LeafMap, cells: Floats, first: int) -> Floats:
    """Mean probability of a line along each course."""
    return np.asarray(_lines_at(seen, cells, first).mean(axis=1), dtype=np.float64)


def _lines_at(seen: LeafMap, cells: Floats, first: int) -> F32:
    """Probability of a line in each place of each course."""
    rows = np.clip(np.rint(cells).astype(int), 0, seen.line.shape[0] - 1)
    return np.asarray(seen.line[rows, np.arange(first, first + cells.shape[1])[None]], dtype=np.float32)


def reading_order(courses: list[Course]) -> list[tuple[int, Course]]:
    """Staves with their column: columns left to right, in each from top to bottom."""
    return [(column, courses[i]) for column, i in order_staves([extent_of(course) for course in courses])]


def _remarks(staves: list[Staff], cut: dict[str, int]) -> list[Remark]:
    """Staves with another number of lines than most; those `cut` by the picture's edge, lines lost."""
    counts = [len(staff.lines) for staff in staves]
    usual = max(sorted(set(counts)), key=counts.count)
    said = []
    for staff in staves:
        number = len(staff.lines)
        if staff.id in cut:
            whole = number + cut[staff.id]
            text = (
                f"The picture's edge cuts staff {staff.id}: {number} of about {whole} lines are in it, "
                "counted from the lowest one seen."
            )
            said.append(Remark(code="cut-staff", text=text, staff=staff.id))
        elif number != usual:
            text = f"Found {number} lines where most staves of this page have {usual}."
            said.append(Remark(code="line-count", text=text, staff=staff.id))
    return said
