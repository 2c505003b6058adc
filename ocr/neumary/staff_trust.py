"""How far the leaf map stands behind a staff once its lines are followed.

Ruled words, tables and frames can look like staves to the votes of single cells. Along the lines then
drawn the map still sees words and ornaments rather than lines, and nowhere on the page a good staff.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from neumary.leaf_map import LeafMap
from neumary.staff_lines import Course
from neumary.staff_shape import line_look
from neumary.types import InkMap
from neumary_models.leaf_outputs import REGIONS

BESIDE_SPACES: Final = (-0.5, -0.25, 0.0, 0.25, 0.5)
"""From a line, where words and ornaments count as upon it."""
_COVERED: Final = 0.5
# Of 2,400 sound staves on 340 rendered pages the least had -0.24. The mean of a page's best and middle one
# was 0.38 and more, 0.49 where staves have few lines. On nine pages of ruled words, or of another side's
# staves, that were taken for staves, it was 0.27 and less, 0.395 where they had few lines, but for two pages
# and ghosts. Those are 10 grey levels strong and less; the palest of 240 pages had staves of 14.
LEAST_TRUST: Final = -0.3
"""What must stand behind any staff, see `trust`."""
_FULL_LINES: Final = 3
_ALL_FULL: Final = 0.75  # of a page's staves, three at the least
_EDGE_SPACES: Final = 4.0  # a full staff of which the picture's edge leaves one line
_TRUSTED: Final = 0.31
_TRUSTED_FEW: Final = 0.43
TRUSTED_WELL: Final = 0.6
"""What the mean of the best and the middle one must be where an earlier look at the page found nothing."""
_LEAST_MIDDLE: Final = 0.0
_LEAST_STRENGTH: Final = 4.5  # grey levels
_FAINT: Final = 0.2  # of the page's usual strength; lines that shine through the leaf are fainter
_STRONG: Final = 20.0  # grey levels that no ghost reaches
_LEAST_SEEN: Final = 0.38
_WELL_SEEN: Final = 0.7
_LEAST_SEEN_AMONG_SOUND: Final = 0.3  # where most staves of the page are well seen, one may be washed out
_THICKEST: Final = 0.38  # staff spaces
_THICKEST_PX: Final = 5.0
# Where the map sees lines on half of their length they may be paler, and more blurred: of 27 such staves
# dropped on 120 rendered pages all but some that were followed badly were staves.
_MAPPED: Final = 0.5
_PALER: Final = 0.7
_BLURRED: Final = 1.4
_WITNESSES: Final = 3
_MOST_SURE: Final = 0.7
_PALE: Final = 11.0
_TRUSTED_PALE: Final = 0.6
"""None of 160 rendered pages without staves had pale ones so well seen; a dark photograph's own have 0.66."""


def along(seen: LeafMap, cells: npt.NDArray[Any], course: Course, down_px: float = 0.0) -> npt.NDArray[Any]:
    """What a map holds along each line of a staff, or beside it.

    Parameters
    ----------
    seen : LeafMap
    cells : ndarray, shape (h, w)
        One of the look's maps, or made of them.
    course : Course
    down_px : float
        Working pixels below the line.

    Returns
    -------
    ndarray, shape (n_lines, n_strips)
    """
    rows = np.rint((course.rows + down_px + 0.5) / seen.cell_px[0] - 0.5).astype(int)
    cols = np.rint((course.cols + 0.5) / seen.cell_px[1] - 0.5).astype(int)
    at = np.clip(rows, 0, cells.shape[0] - 1), np.clip(cols, 0, cells.shape[1] - 1)[None]
    return np.asarray(cells[at])


def trust(seen: LeafMap, course: Course, against: Sequence[str] = ("text", "decoration")) -> float:
    """Mean probability of a line along a staff's lines, less the share of words and ornaments there.

    Parameters
    ----------
    seen : LeafMap
    course : Course
    against : sequence of str
        Regions that speak against lines.

    Returns
    -------
    float
        -1 to 1.
    """
    line = float(along(seen, seen.line, course).mean())
    return line - sum(_covered(seen, course, name) for name in against)


def _covered(seen: LeafMap, course: Course, name: str) -> float:
    covered = seen.region[REGIONS.index(name)] > _COVERED
    return float(np.mean([along(seen, covered, course, d * course.space).mean() for d in BESIDE_SPACES]))


def trusted(seen: LeafMap, courses: Sequence[Course], least: float = 0.0) -> list[Course]:
    """Staves the map stands behind; none where it does not stand behind a page's staves as a whole.

    Parameters
    ----------
    seen : LeafMap
    courses : sequence of Course
        All of a page.
    least : float
        What the mean of the best and the middle one must be at the least.
    """
    each = np.array([trust(seen, course) for course in courses])
    if not len(each):
        return []
    best = int(each.argmax())
    few = np.median([len(course.rows) for course in courses]) < _FULL_LINES
    middle = float(np.median(each))
    if (each[best] + middle) / 2 < max(least, _TRUSTED_FEW if few else _TRUSTED) or middle < _LEAST_MIDDLE:
        return []
    if each[best] < _TRUSTED_PALE and courses[best].strength < _PALE:
        return []
    return [course for course, value in zip(courses, each, strict=True) if value >= LEAST_TRUST]


def drawn(ink: InkMap, courses: Sequence[Course]) -> list[Course]:
    """Staves of pen lines: without ghosts of the verso's and without lines of text.

    Parameters
    ----------
    ink : InkMap
    courses : sequence of Course
        All of a page.
    """
    usual = float(np.median([course.strength for course in courses])) if courses else 0.0
    least = max(_LEAST_STRENGTH, min(_FAINT * usual, _STRONG))
    clear = sum(course.seen.mean() >= _WELL_SEEN for course in courses)
    sound = clear >= max(_WITNESSES, _MOST_SURE * len(courses))
    seen = _LEAST_SEEN_AMONG_SOUND if sound else _LEAST_SEEN
    return [course for course in courses if course.strength >= least and _is_drawn(ink, course, seen)]


def _is_drawn(ink: InkMap, course: Course, least_seen: float) -> bool:
    mapped = course.mapped is not None and course.mapped.mean() >= _MAPPED
    if course.seen.mean() < least_seen * (_PALER if mapped else 1.0):
        return False
    thick = [line_look(ink, course.cols, row, course.space)[1] for row in course.rows]
    thickest = max(_THICKEST * course.space, _THICKEST_PX) * (_BLURRED if mapped else 1.0)
    return float(np.median(thick)) <= thickest


def without_lone(courses: Sequence[Course], height: int) -> list[Course]:
    """Staves without single lines where the page has full ones; those are ruling.

    Parameters
    ----------
    courses : sequence of Course
        All of a page.
    height : int
        Of the page in working pixels: near its edges one line may be left of a full staff.
    """
    full = sum(len(course.rows) >= _FULL_LINES for course in courses)
    if full < max(_FULL_LINES, _ALL_FULL * len(courses)):
        return list(courses)
    return [course for course in courses if len(course.rows) > 1 or course.cut or _at_edge(course, height)]


def _at_edge(course: Course, height: int) -> bool:
    near = _EDGE_SPACES * course.space
    return bool(course.rows.min() < near or course.rows.max() > height - near)
