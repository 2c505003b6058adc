"""InkMap -> staves: found by the leaf network, followed in the ink, bounded, in reading order.

The network says where staves lie (`leaf_map`), the votes of its cells make bands
(`staff_bands`), the lines are followed in the ink (`staff_lines`). For a survey of older methods
see C. Dalitz et al., "A comparative study of staff removal algorithms", IEEE TPAMI 30(5), 2008.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from neumary.ink import WORKING_SPACE_PX
from neumary.leaf_map import LeafMap, look
from neumary.lines import stroke_height
from neumary.staff_bands import MOST_LINES, Band, find_bands, line_courses
from neumary.staff_lines import Course, InkStrips, average, follow_lines, line_evidence
from neumary.staff_shape import build, line_look, with_area
from neumary.types import InkMap, Remark, Staff
from neumary_models.zoo import LoadedModel

_OFF: Final = 0.22  # logarithm of an error in the space from which another look is worth while
_LOOKS: Final = 3  # at most, from one first guess
_SPACE_PER_STROKE: Final = 1.4  # staff space against the height of heads and small letters
_STROKE_STRIP_PX: Final = 6
_LONGEST_STROKE_SPACES: Final = 3.5
_SPACES_PER_SIDE: Final = 60.0  # of the shorter side, where nothing else tells
_OTHER_GUESS: Final = 0.3  # logarithm by which guesses must differ
_FEW_LINES_RATIOS: Final = (0.74, 1.35, 1.8)
_LEAST_STRENGTH: Final = 4.5  # grey levels
_FAINT: Final = 0.2  # of the page's usual strength; lines that shine through the leaf are fainter
_STRONG: Final = 8.0  # grey levels that no ghost reaches
_LEAST_SEEN: Final = 0.45
_THICKEST: Final = 0.38  # staff spaces
_THICKEST_PX: Final = 5.0
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
    seen, bands, space = _look(ink, model)
    courses = [] if lines == 0 else _drawn(ink, _courses(ink, seen, bands, lines))
    if not courses:
        said = Remark(code="no-staves", text="No staff lines were found on this page.")
        return FoundStaves([], [said], seen, space)
    staves = [build(ink, course, column, i) for i, (column, course) in enumerate(reading_order(courses))]
    height, width = (side / ink.scale for side in ink.flat.shape[:2])
    staves = [with_area(staff, staves, height, width) for staff in staves]
    return FoundStaves(staves, _remarks(staves), seen, space)


def _look(ink: InkMap, model: LoadedModel) -> tuple[LeafMap, list[Band], float]:
    """Look at the page; again at another scale where the first guess at its space was wrong."""
    best: tuple[float, LeafMap, list[Band], float] | None = None
    for guess in _guesses(ink):
        for _ in range(_LOOKS):
            one = _one_look(ink, guess, model)
            best = one if best is None or one[0] > best[0] else best
            if not one[2] or abs(math.log(one[3] / guess)) < _OFF:
                break
            guess = one[3]
        if best is not None and best[2]:
            break
    assert best is not None  # there is always a guess
    if best[2] and np.mean([band.full for band in best[2]]) < 0.5:
        # Few lines show no space of their own: the surest of several scales is theirs.
        others = [_one_look(ink, best[3] * ratio, model) for ratio in _FEW_LINES_RATIOS]
        best = max(best, *others, key=lambda one: one[0])
    return best[1:]


def _one_look(ink: InkMap, guess: float, model: LoadedModel) -> tuple[float, LeafMap, list[Band], float]:
    """How much is found, and how surely; the map; the bands; their space."""
    seen = look(ink, guess, model)
    bands = find_bands(seen)
    worth = seen.cell_px[1] * sum(len(band.top) * max(0.0, band.p - 0.5) for band in bands)
    return worth, seen, bands, _space(bands) * seen.cell_px[0] if bands else guess


def _drawn(ink: InkMap, courses: list[Course]) -> list[Course]:
    """Staves of pen lines: without ghosts of the verso's and without lines of text."""
    usual = float(np.median([course.strength for course in courses])) if courses else 0.0
    least = max(_LEAST_STRENGTH, min(_FAINT * usual, _STRONG))
    return [course for course in courses if course.strength >= least and _is_drawn(ink, course)]


def _is_drawn(ink: InkMap, course: Course) -> bool:
    if course.seen.mean() < _LEAST_SEEN:
        return False
    thick = [line_look(ink, course.cols, row, course.space)[1] for row in course.rows]
    return float(np.median(thick)) <= max(_THICKEST * course.space, _THICKEST_PX)


def _space(bands: list[Band]) -> float:
    """Mean staff space in cells, long staves counting more."""
    return math.exp(
        float(np.average([math.log(b.space) for b in bands], weights=[len(b.top) * b.p for b in bands]))
    )


def _guesses(ink: InkMap) -> list[float]:
    """Staff spaces to look with, working pixels: of the ruling, of the script, of the page."""
    guesses = []
    if ink.spacing is not None:  # of two sizes of staff on a page, the working scale suits the smaller
        space = ink.spacing.space_px * ink.scale
        guesses.append(min(space, (space**2 * WORKING_SPACE_PX) ** (1 / 3)) if ink.scale < 1 else space)
    side = min(ink.dark.shape) / _SPACES_PER_SIDE
    guesses.append(max(side, 1.0))
    strokes = stroke_height(ink.dark, _STROKE_STRIP_PX, _LONGEST_STROKE_SPACES * side)
    if 0 < strokes < side:
        guesses.append(_SPACE_PER_STROKE * strokes)
    return [
        guess
        for i, guess in enumerate(guesses)
        if all(abs(math.log(guess / other)) > _OTHER_GUESS for other in guesses[:i])
    ]


def _courses(ink: InkMap, seen: LeafMap, bands: list[Band], asked: int | None) -> list[Course]:
    courses: list[Course] = []
    strips: list[tuple[float, InkStrips]] = []
    for band in bands:
        guess = band.space * seen.cell_px[0]
        near = [s for size, s in strips if max(size / guess, guess / size) < _SAME_STRIPS]
        if not near:
            near = [average(ink, guess)]
            strips.append((guess, near[0]))
        evidence = partial(line_evidence, near[0], seen, first=band.first, space=guess)
        cells, space = line_courses(seen, band, asked, evidence)
        course = follow_lines(near[0], seen, cells, band.first, space * seen.cell_px[0])
        if course is not None:
            courses.append(course)
    return courses


def reading_order(courses: list[Course]) -> list[tuple[int, Course]]:
    """Staves with their column: columns left to right, in each from top to bottom."""
    return [
        (column, course) for column, group in enumerate(_cut_columns(courses)) for course in _top_down(group)
    ]


def _cut_columns(courses: list[Course]) -> list[list[Course]]:
    """Groups of staves between which no staff crosses."""
    groups: list[list[Course]] = []
    reach = -1.0
    for course in sorted(courses, key=lambda c: (c.cols[0], c.cols[-1])):
        # Staves of one column need not begin alike, but they share most of their width.
        if groups and course.cols[0] < reach - 0.1 * (course.cols[-1] - course.cols[0]):
            groups[-1].append(course)
        else:
            groups.append([course])
        reach = max(reach, float(course.cols[-1]))
    return groups


def _top_down(group: list[Course]) -> list[Course]:
    """Top to bottom; of two at the same height the left one first."""
    rest = sorted(group, key=lambda c: float(c.rows.mean()))
    done: list[Course] = []
    while rest:
        head = rest[0]
        beside = [c for c in rest if abs(float(c.rows.mean() - head.rows.mean())) < 1.5 * head.space]
        nearest = min(beside, key=lambda c: float(c.cols[0]))
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
