"""Bands -> lines: each staff line followed in the ink itself, to a fraction of a pixel.

The band tells to a quarter of a space where the lines run; here each is drawn to the ridge of
ink nearest to it, by dynamic programming along the staff, and where no ink is seen it keeps
its place between its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary import lines
from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.types import F32, Bool, InkMap

_STRIPS_PER_SPACE: Final = 4.0
_REACH_SPACES: Final = 0.35  # how far a line may lie from where the band has it
_NEAR_PROFILE_SPACES: Final = 0.08
_STIFF: Final = 0.15  # cost of moving by a pixel from strip to strip
_MAP_WEIGHT: Final = 0.6  # of the network's line probability against the ink's own ridge
_OFF_WEIGHT: Final = 0.08  # of the distance from where the band has it, at the end of the reach
_SMOOTH_SPACES: Final = 1.5
_SEEN: Final = 0.35  # share of the staff's usual ridge from which a line counts as seen
_MAPPED: Final = 0.5  # probability on the map from which a line is there though its ink has faded
_LEAST_RIDGE: Final = 4.0  # grey levels
_TRIES: Final = 3  # at telling how strong the lines are
_STRONGER: Final = 1.3
_EDGE_SPACES: Final = 0.3  # so near to the picture's edge a line is half cut off
_LEAN: Final = 0.03  # weight of the band's own course where the ink says nothing


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A staff's lines at working scale.

    Attributes
    ----------
    cols : ndarray of float64, shape (n_strips,)
        Middle of each strip.
    rows : ndarray of float64, shape (n_lines, n_strips)
        Bottom line first.
    seen : ndarray of bool, shape (n_lines, n_strips)
        In the ink.
    space : float
    strength : float
        How far the lines stand out where they are seen, grey levels.
    steady : float
        Weak against strong stretches of the lines, 0..1: pen lines are even, text is not.
    cut : int
        Lines of the staff that lie beyond the picture's edge.
    mapped : ndarray of bool, shape (n_lines, n_strips), optional
        Where the leaf map sees the lines.
    """

    cols: Floats
    rows: Floats
    seen: Bool
    space: float
    strength: float = 0.0
    steady: float = 1.0
    cut: int = 0
    mapped: Bool | None = None

    @property
    def there(self) -> Bool:
        """Where lines are seen in the ink or on the map."""
        return self.seen if self.mapped is None else self.seen | self.mapped

    def part(self, first: int, end: int | None) -> Course:
        """The staff from one strip to before another."""
        cols = slice(first, end)
        mapped = None if self.mapped is None else self.mapped[:, cols]
        return replace(
            self, cols=self.cols[cols], rows=self.rows[:, cols], seen=self.seen[:, cols], mapped=mapped
        )

    @property
    def per_space(self) -> float:
        """Strips in a staff space."""
        return self.space / float(self.cols[1] - self.cols[0]) if len(self.cols) > 1 else 1.0


@dataclass(frozen=True, slots=True, eq=False)
class InkStrips:
    """Ink averaged over upright strips of a page.

    Attributes
    ----------
    total : ndarray of float32, shape (n_strips, H)
    strip_px : int
    line_px : float
        Thickness of a line, working pixels.
    """

    total: F32
    strip_px: int
    line_px: float

    def middles(self, low: int, high: int) -> Floats:
        """Working columns of the middles of the strips from one to before another."""
        return np.asarray((np.arange(low, high, dtype=np.float64) + 0.5) * self.strip_px - 0.5)


def average(ink: InkMap, space_px: float) -> InkStrips:
    """Average a page's ink for staves of about this space (working pixels)."""
    strip_px = max(2, round(space_px / _STRIPS_PER_SPACE))
    line = ink.spacing.line_px * ink.scale if ink.spacing else 0.14 * space_px
    every = np.asarray(cv2.add(ink.dark, ink.coloured), np.uint8)
    return InkStrips(lines.strip_means(every, strip_px), strip_px, max(1.0, line))


def follow_lines(strips: InkStrips, seen: LeafMap, cells: Floats, first: int, space: float) -> Course | None:
    """Follow the lines of one staff.

    Parameters
    ----------
    strips : InkStrips
    seen : LeafMap
    cells : ndarray of float64, shape (n_lines, n)
        Where the map has the lines, in cells, bottom line first.
    first : int
        Column of the map of the first of them.
    space : float
        Staff space, working pixels.

    Returns
    -------
    Course or None
        None if the staff is narrower than two strips.
    """
    at, low, high = reached(strips, seen, cells.shape[1], first)
    if high - low < 2:
        return None
    middles = strips.middles(low, high)
    thought = np.array([np.interp(middles, at, seen.rows_at(row)) for row in cells])
    return follow_rows(strips, seen, thought, low, space)


def reached(strips: InkStrips, seen: LeafMap, count: int, first: int) -> tuple[Floats, int, int]:
    """Working columns of `count` cells of the map, and the first strip they reach and one past the last."""
    at = np.asarray(seen.cols_at(np.arange(first, first + count, dtype=np.float64)), dtype=np.float64)
    half_cell = seen.cell_px[1] / 2
    low = max(0, int(np.ceil((at[0] - half_cell) / strips.strip_px)))
    return at, low, min(len(strips.total), int((at[-1] + half_cell) / strips.strip_px) + 1)


def follow_rows(strips: InkStrips, seen: LeafMap, thought: Floats, low: int, space: float) -> Course:
    """Follow the lines of one staff from where they are thought to run.

    Parameters
    ----------
    strips : InkStrips
    seen : LeafMap
    thought : ndarray of float64, shape (n_lines, n_strips)
        Rows in working pixels, bottom line first; two strips or more.
    low : int
        First strip.
    space : float
        Staff space, working pixels.

    Returns
    -------
    Course
    """
    high = low + thought.shape[1]
    middles = strips.middles(low, high)
    ridge = line_ridges(strips, low, high, thought, space)
    half = max(1, round(_REACH_SPACES * space))
    window = np.arange(-half, half + 1)
    on_map = map_at(seen, thought, middles, window)
    each, strip = np.ogrid[: thought.shape[0], : thought.shape[1]]
    # Where the staff's lines are usually this strong, half as much is as good as the whole.
    usual = max(_LEAST_RIDGE, float(np.percentile(ridge[:, :, half - half // 3 : half + half // 3 + 1], 80)))
    for _ in range(_TRIES):
        clear = np.minimum(ridge / usual, 1.0)
        gain = clear + _MAP_WEIGHT * on_map - _OFF_WEIGHT * (window / half) ** 2
        path = lines.follow(np.ascontiguousarray(gain, dtype=np.float32), _STIFF)
        on_path = float(np.percentile(ridge[each, strip, path], 80))
        if on_path <= _STRONGER * usual:
            break
        usual = on_path  # the lines run beside where they were thought
    here = clear[each, strip, path]
    near = np.stack([ridge[each, strip, np.clip(path + d, 0, 2 * half)] for d in (0, -1, 1)])
    top = np.clip(path + np.array([0, -1, 1])[near.argmax(axis=0)], 0, 2 * half)
    beside = [np.clip(top + d, 0, 2 * half) for d in (-1, 0, 1)]
    above, on, below = (np.minimum(ridge[each, strip, place] / usual, 2.0) for place in beside)
    # The summit between pixels: a parabola through three places (common practice).
    bend = np.minimum(above + below - 2 * on, -1e-3)
    fine = np.rint(thought) + window[top] + np.clip(0.5 * (above - below) / bend, -0.5, 0.5)
    sigma = _SMOOTH_SPACES * space / strips.strip_px
    # Where a line is not seen it stays where its neighbours have moved to.
    moved = np.where(here > 0.25, here, 0.0) ** 2
    common = ((fine - thought) * moved).sum(axis=0) / np.maximum(moved.sum(axis=0), 1e-6)
    common = lines.weighted_smooth(common[None], moved.sum(axis=0)[None], sigma)[0]
    settled = np.where(moved > 0, fine, thought + common)
    rows = lines.weighted_smooth(settled, np.where(moved > 0, moved, _LEAN), sigma)
    height = _height_at(clear, rows - np.rint(thought), half)
    inside = (rows > -0.5) & (rows < strips.total.shape[1] - 0.5)
    found = (height > _SEEN) & inside
    strength, steady = _evenness(height * usual, found)
    place = np.clip(np.rint(rows - np.rint(thought)).astype(int) + half, 0, 2 * half)
    mapped = (on_map[each, strip, place] >= _MAPPED) & inside
    return Course(middles, np.asarray(rows, np.float64), found, space, strength, steady, mapped=mapped)


def line_ridges(strips: InkStrips, low: int, high: int, thought: Floats, space: float) -> F32:
    """Ridges of ink in a window round each line.

    Parameters
    ----------
    strips : InkStrips
    low, high : int
        First strip and one past the last.
    thought : ndarray of float64, shape (n_lines, n_strips)
        Rows in working pixels.
    space : float
        Staff space, working pixels; the window reaches 0.35 of it up and down.

    Returns
    -------
    ndarray of float32, shape (n_lines, n_strips, n_places)
        Grey levels; the middle place is the thought row, rounded.
    """
    half = max(1, round(_REACH_SPACES * space))
    beyond = half + max(2, round(1.5 * strips.line_px + 0.5)) + round(strips.line_px) + 1
    height = strips.total.shape[1]
    window = np.arange(-beyond, beyond + 1)
    at = np.clip(np.rint(thought).astype(int)[..., None] + window, 0, height - 1)
    patch = strips.total[np.arange(low, high)[None, :, None], at]
    flat = np.ascontiguousarray(patch.reshape(-1, len(window)), dtype=np.float32)
    ridge = _ridge(flat, strips.line_px).reshape(patch.shape)
    return ridge[:, :, beyond - half : beyond + half + 1]


def heights_on(strips: InkStrips, rows: Floats, low: int, space: float) -> Floats:
    """How far each line stands out along its course, median, grey levels; shape (n_lines,)."""
    ridge = line_ridges(strips, low, low + rows.shape[1], rows, space)
    half = ridge.shape[2] // 2
    return np.asarray(np.median(ridge[:, :, half - 1 : half + 2].max(axis=2), axis=1), dtype=np.float64)


def _ridge(strips: F32, line_px: float) -> F32:
    """As `lines.ridges`, but with no half pixel of bias where lines are an even number thick."""
    thick = max(1, round(line_px))
    kernel = np.ones(thick + 1 - thick % 2)
    if thick % 2 == 0:
        kernel[[0, -1]] = 0.5
    away = max(2, round(1.5 * line_px + 0.5))
    centre = cv2.filter2D(strips, cv2.CV_32F, kernel[None] / thick, borderType=cv2.BORDER_REPLICATE)
    padded = cv2.copyMakeBorder(centre, 0, 0, away, away, cv2.BORDER_REPLICATE)
    beside = np.maximum(padded[:, : -2 * away], padded[:, 2 * away :])
    return np.asarray(np.maximum(centre - beside, 0.0), dtype=np.float32)


def map_at(seen: LeafMap, thought: Floats, middles: Floats, window: npt.NDArray[np.intp]) -> F32:
    """The network's line probability in windows round each line, as of `line_ridges`."""
    rows = (np.rint(thought)[..., None] + window + 0.5) / seen.cell_px[0] - 0.5
    cols = np.broadcast_to(((middles + 0.5) / seen.cell_px[1] - 0.5)[None, :, None], rows.shape)
    shape = (rows.shape[0] * rows.shape[1], rows.shape[2])
    found = cv2.remap(
        seen.line, cols.reshape(shape).astype(np.float32), rows.reshape(shape).astype(np.float32),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(found.reshape(rows.shape), dtype=np.float32)


def _height_at(clear: F32, rows: Floats, half: int) -> Floats:
    """Ridge on the smoothed lines, a pixel up or down."""
    place = np.clip(np.rint(rows).astype(int) + half, 1, 2 * half - 1)
    each, strip = np.ogrid[: clear.shape[0], : clear.shape[1]]
    near = np.maximum.reduce([clear[each, strip, place + d] for d in (-1, 0, 1)])
    return np.asarray(near, dtype=np.float64)


def _evenness(height: Floats, seen: Bool) -> tuple[float, float]:
    """Middling height of the lines' ridges where seen, and the ratio of its quartiles."""
    if not seen.any():
        return 0.0, 0.0
    low, middle, high = np.percentile(height[seen], (25, 50, 75))
    return float(middle), float(low / max(high, 1e-6))


def ends(course: Course, ragged_spaces: float = 1.5, height: float | None = None) -> list[tuple[int, int]]:
    """First and one past last strip of each line: where it is mostly there over a space.

    A line that fades out long before most of its staff's others is taken as far as those; where there
    is a picture `height` rows high, not over its upper or lower edge.
    """
    per_space = course.per_space
    width = 2 * round(0.5 * per_space) + 1
    spans = []
    for seen in course.there:
        mostly = cv2.blur(seen[None].astype(np.float32), (width, 1), borderType=cv2.BORDER_REPLICATE)[0]
        on = np.flatnonzero((mostly >= 0.5) & seen)
        spans.append((int(on[0]), int(on[-1]) + 1) if len(on) else (0, len(seen)))
    middle = (len(spans) - 1) // 2
    left, right = sorted(a for a, _ in spans)[middle], sorted((b for _, b in spans), reverse=True)[middle]
    far = ragged_spaces * per_space
    edge = _EDGE_SPACES * course.space
    low, high = (edge, height - 1 - edge) if height is not None else (-np.inf, np.inf)

    def within(rows: Floats) -> bool:
        return bool(low <= np.median(rows) <= high)

    return [
        (
            left if a > left + far and within(row[left:a]) else a,
            right if b < right - far and within(row[b:right]) else b,
        )
        for (a, b), row in zip(spans, course.rows, strict=True)
    ]


def ink_profile(
    strips: InkStrips, seen: LeafMap, centre: Floats, first: int, reach: float
) -> tuple[Floats, Floats]:
    """How much of a line there is in the ink beside a course, median along it.

    Parameters
    ----------
    strips : InkStrips
    seen : LeafMap
    centre : ndarray of float64, shape (n,)
        Rows in cells.
    first : int
        Column of the map of the first of them.
    reach : float
        Cells up and down.

    Returns
    -------
    ndarray of float64, shape (k,)
        Offsets, cells.
    ndarray of float64, shape (k,)
        Ridge of ink, 0..1 of the strongest.
    """
    width = strips.strip_px
    at = np.asarray(seen.cols_at(np.arange(first, first + len(centre), dtype=np.float64)), dtype=np.float64)
    low, high = max(0, int(at[0] / width)), min(len(strips.total), int(at[-1] / width) + 1)
    half = max(1, round(reach * seen.cell_px[0]))
    offsets = np.arange(-half, half + 1) / seen.cell_px[0]
    if high - low < 2:
        return offsets, np.zeros(len(offsets))
    middles = strips.middles(low, high)
    thought = np.interp(middles, at, seen.rows_at(centre))[None]
    ridge = line_ridges(strips, low, high, thought, half / _REACH_SPACES)[0]
    near = max(1, round(_NEAR_PROFILE_SPACES * strips.strip_px * _STRIPS_PER_SPACE))
    wide = cv2.dilate(ridge, np.ones((1, 2 * near + 1), np.uint8))
    found = np.median(wide, axis=0)
    return offsets, np.asarray(found / max(float(found.max()), _LEAST_RIDGE), dtype=np.float64)
