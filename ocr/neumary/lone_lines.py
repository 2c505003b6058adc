"""A staff's only line, told from ruling beside it.

Where a page is ruled in ink as well, the leaf map may see a staff's one painted line on one stretch and
ruling, or the heads of the words, on the next. The line is one stroke of one paint: of all even courses
near the staff's middle the one that is seen best from end to end is it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from neumary import lines
from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.staff_lines import Course, InkStrips, line_ridges, map_at, reached
from neumary.staff_trust import BESIDE_SPACES, along
from neumary.types import F32, Bool, InkMap
from neumary_models.leaf_outputs import REGIONS

Places = npt.NDArray[np.intp]

_REACH_SPACES: Final = 1.4  # from the staff's middle as voted
_WINDOW: Final = 0.35  # as `line_ridges` takes a staff space
_STIFF: Final = 0.25  # cost of moving by a pixel from strip to strip
_PAINT_WEIGHT: Final = 1.0  # of paint against ink of any kind
_MAP_WEIGHT: Final = 0.8
_FAR_WEIGHT: Final = 0.15  # of the distance from the middle, at the end of the reach
_LEAST_RIDGE: Final = 6.0  # grey levels; fainter is no line, nor paint
_OTHER_SPACES: Final = 0.3  # from where on two courses are not the same
_OTHER_SHARE: Final = 0.05  # of a staff's length
_BETTER: Final = 0.06  # mean gain by which another course must be better
_HARDLY: Final = 0.3  # probability of a line under which the map sees hardly one
_ELSE: Final = 0.5  # probability of no staff
_BARE: Final = 0.5  # share of the lines
_GAP_SPACES: Final = 0.75  # of bare parchment between a staff and what fills up its row
_LONE_GAP_SPACES: Final = 1.25  # the same where a line is alone
_OWN: Final = 0.4  # of lines on the map, and in the ink, that a piece of a staff has
_ORNAMENT: Final = 0.65  # mean probability; fillings of rows 0.8, worn lines beyond an initial 0.5
_FADES: Final = 0.5  # probability of a line whose ink has faded, as of one that is mapped
_LEAST_LEFT_SPACES: Final = 6.0


def without_strays(seen: LeafMap, course: Course) -> Course:
    """A staff without ends that run on, beyond a gap, in an ornament, in words or in a ghost.

    Strokes that fill up a row look like lines in the ink, a staff of the leaf's other side looks like one
    on the map. In the gap neither shows any.

    Parameters
    ----------
    seen : LeafMap
    course : Course
    """
    line = along(seen, seen.line, course).mean(axis=0)
    inked = course.seen.mean(axis=0)
    bare = (inked < _BARE) & (line < _HARDLY) & (along(seen, seen.zone[0], course).min(axis=0) > _ELSE)
    gaps = _long_runs(bare, (_GAP_SPACES if len(course.rows) > 1 else _LONE_GAP_SPACES) * course.per_space)

    def own(first: int, end: int) -> bool:
        return end > first and min(line[first:end].mean(), inked[first:end].mean()) >= _OWN

    first, end = 0, len(line)
    for a, b in gaps[::-1]:
        end = end if own(b, end) else a
    for a, b in gaps:
        first = first if b > end or own(first, a) else b
    if len(course.rows) == 1:
        first, end = _before_ornaments(line, _ornament(seen, course), inked, first, end, course.per_space)
    if end - first < _LEAST_LEFT_SPACES * course.per_space or not own(first, end):
        return course
    return course.part(first, end)


def _long_runs(there: Bool, least: float) -> list[tuple[int, int]]:
    """First and one past last place of each stretch that is long enough."""
    return [(a, b) for a, b in lines.runs(there) if b - a >= max(1, round(least))]


def _ornament(seen: LeafMap, course: Course) -> Floats:
    """Probability of an ornament on a staff's lines or just beside them, strip by strip."""
    cells = seen.region[REGIONS.index("decoration")]
    beside = [along(seen, cells, course, d * course.space).mean(axis=0) for d in BESIDE_SPACES]
    return np.asarray(np.maximum.reduce(beside), dtype=np.float64)


def _before_ornaments(
    line: Floats, ornament: Floats, inked: Floats, first: int, end: int, per_space: float
) -> tuple[int, int]:
    """The stretch without ends that, beyond a gap in the ink, are rather an ornament than a line.

    Into the gap it reaches as far as the map sees the line fade.
    """
    gaps = _long_runs(inked < _BARE, _GAP_SPACES * per_space)
    for a, b in gaps[::-1]:
        if first < a and b < end and ornament[b:end].mean() > max(_ORNAMENT, line[b:end].mean()):
            end = a + int(np.argmin(np.append(line[a:b], 0.0) >= _FADES))
    for a, b in gaps:
        if first < a and b < end and ornament[first:a].mean() > max(_ORNAMENT, line[first:a].mean()):
            first = b - int(np.argmin(np.append(line[a:b][::-1], 0.0) >= _FADES))
    return first, end


def painted(ink: InkMap, strips: InkStrips) -> InkStrips:
    """Coloured ink alone, averaged as the strips of all ink are.

    Parameters
    ----------
    ink : InkMap
    strips : InkStrips
        From the same page.
    """
    pure = lines.pure_colour(ink.dark, ink.coloured)
    return InkStrips(lines.strip_means(pure, strips.strip_px), strips.strip_px, strips.line_px)


def steady_line(
    inks: tuple[InkStrips, InkStrips],
    seen: LeafMap,
    middle: Floats,
    cells: Floats,
    first: int,
    space: float,
) -> Floats:
    """The course of a staff's only line, where another one is clearly better than the one it has.

    Parameters
    ----------
    inks : (InkStrips, InkStrips)
        Of all ink, and of coloured ink.
    seen : LeafMap
    middle : ndarray of float64, shape (n,)
        Rows of the staff's middle as voted, cells.
    cells : ndarray of float64, shape (1, n)
        Rows of the line as thought, cells.
    first : int
        Column of the map of the first of them.
    space : float
        Staff space, working pixels.

    Returns
    -------
    ndarray of float64, shape (1, n)
        Rows in cells.
    """
    strips = inks[0]
    at, low, high = reached(strips, seen, cells.shape[1], first)
    if high - low < 2:
        return cells
    middles = strips.middles(low, high)
    rough = np.interp(middles, at, seen.rows_at(middle))
    half = max(2, round(_REACH_SPACES * space))
    window = np.arange(-half, half + 1)
    strip = np.arange(len(middles))
    before = np.interp(middles, at, seen.rows_at(cells[0]))
    old = np.clip(np.rint(before - np.rint(rough)).astype(int) + half, 1, 2 * half - 1)
    every, colour = (
        _clear(line_ridges(one, low, high, rough[None], half / _WINDOW)[0], strip, old) for one in inks
    )
    on_map = map_at(seen, rough[None], middles, window)[0]
    gain = every + _PAINT_WEIGHT * colour + _MAP_WEIGHT * on_map - _FAR_WEIGHT * (window / half) ** 2
    path = lines.follow(np.ascontiguousarray(gain[None], dtype=np.float32), _STIFF)[0]
    now = np.rint(rough) + window[path]
    better = gain[strip, path] - _near(gain, strip, old)
    other = np.abs(now - before) > _OTHER_SPACES * space
    if other.mean() < _OTHER_SHARE or better.mean() < _BETTER:
        return cells
    found = (now + 0.5) / seen.cell_px[0] - 0.5
    cols = (middles + 0.5) / seen.cell_px[1] - 0.5
    rows = np.interp(np.arange(first, first + cells.shape[1]), cols, found)
    return np.asarray(rows[None], dtype=np.float64)


def _clear(ridge: F32, strip: Places, old: Places) -> F32:
    """Ridges against those of the line as thought, or of the clearest one, 0..1."""
    usual = np.percentile(_near(ridge, strip, old), 75), np.percentile(ridge.max(axis=1), 60)
    return np.asarray(np.minimum(ridge / max(_LEAST_RIDGE, float(min(usual))), 1.0), dtype=np.float32)


def _near(values: F32, strip: Places, place: Places) -> F32:
    """The greatest within a pixel of a place in each strip."""
    return np.asarray(np.maximum.reduce([values[strip, place + d] for d in (-1, 0, 1)]), dtype=np.float32)
