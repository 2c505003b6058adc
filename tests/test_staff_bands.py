"""From the leaf network's maps to staff lines: drawn maps whose truth is known.

The maps here are drawn, not predicted, so what is tested is the decoding alone. Geometry is the
only outside source these checks need.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from neumary.leaf_map import LeafMap, picture_of
from neumary.staff_bands import Band, as_asked, find_bands
from neumary.staff_comb import count_lines, find_combs, lines_of
from neumary.staff_lines import average, ends, follow_lines
from neumary.types import InkMap

CELL = 6.0  # working pixels a cell: three cells a staff space of 18 px
SPACE = 18.0


class Drawn:
    """A working picture of black lines, and the maps a perfect network would give for it."""

    def __init__(self, height: int = 600, width: int = 900) -> None:
        self.ink = np.zeros((height, width), np.uint8)
        self.rows, self.cols = int(height / CELL), int(width / CELL)
        shape = (self.rows, self.cols)
        self.zone = np.zeros((3, *shape), np.float32)
        self.zone[0] = 1.0
        self.line, self.up, self.down, self.space = (np.zeros(shape, np.float32) for _ in range(4))
        self.true: list[np.ndarray] = []

    def staff(
        self, bottom: float, left: int, right: int, n: int = 4, *, slope: float = 0.0, wave: float = 0.0,
        bare: slice | None = None,
    ) -> None:  # fmt: skip
        cols = np.arange(left, right, dtype=float)
        lowest = bottom + slope * (cols - left) + wave * np.sin(cols / 60)
        lines = np.array([lowest - k * SPACE for k in range(n)])
        for row in lines:
            points = np.round(np.c_[cols, row] * 16).astype(np.int32)
            drawn = np.zeros_like(self.ink)
            cv2.polylines(drawn, [points], False, 200, 3, cv2.LINE_AA, 4)
            if bare is not None:
                drawn[:, bare] = 0
            self.ink |= drawn
        self.true.append(lines)
        at = (np.arange(self.cols) + 0.5) * CELL - 0.5
        inside = (at >= left) & (at < right)
        here = np.array([np.interp(at[inside], cols, row) for row in lines])
        centres = ((np.arange(self.rows) + 0.5) * CELL - 0.5)[:, None]
        up, down = (centres - here[-1]) / CELL, (here[0] - centres) / CELL
        on = (up > -1.5) & (down > -1.5)
        kind = 1 if n > 2 else 2
        for target, values in (
            (self.up, up),
            (self.down, down),
            (self.space, np.full_like(up, SPACE / CELL)),
        ):
            part = target[:, inside]
            part[on] = values[on]
            target[:, inside] = part
        for k, value in ((0, 0.0), (kind, 1.0)):
            part = self.zone[k][:, inside]
            part[on] = value
            self.zone[k][:, inside] = part
        near = np.abs(centres[None] - here[:, None]).min(axis=0) / CELL
        self.line[:, inside] = np.maximum(self.line[:, inside], np.exp(-(near**2)))

    @property
    def seen(self) -> LeafMap:
        region = np.zeros((4, self.rows, self.cols), np.float32)
        return LeafMap(self.zone, self.line, self.up, self.down, self.space, region, (CELL, CELL))

    @property
    def leaf(self) -> InkMap:
        flat = np.dstack([255 - self.ink] * 3)
        return InkMap("p", flat, self.ink, np.zeros_like(self.ink), 1.0)


def courses(seen: LeafMap, band: Band) -> tuple[np.ndarray, float]:
    combs = find_combs(seen, band)
    return lines_of(combs, *count_lines([combs]), band.space)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5])
@pytest.mark.parametrize(("slope", "wave"), [(0.0, 0.0), (0.1, 0.0), (-0.05, 5.0)])
def test_lines_lie_on_the_ink(n: int, slope: float, wave: float) -> None:
    drawn = Drawn()
    drawn.staff(300, 80, 820, n, slope=slope, wave=wave)
    (band,) = find_bands(drawn.seen)
    cells, space = courses(drawn.seen, band)
    assert len(cells) == n
    course = follow_lines(average(drawn.leaf, space * CELL), drawn.seen, cells, band.first, space * CELL)
    assert course is not None
    at = np.clip(course.cols.astype(int) - 80, 0, drawn.true[0].shape[1] - 1)
    off = (course.rows - drawn.true[0][:, at])[:, 2:-2] / SPACE
    assert np.abs(off).mean() < 0.03
    assert abs(off.mean()) < 0.02  # no bias, such as half a pixel
    assert course.seen.mean() > 0.95


def test_a_line_hidden_for_a_while_keeps_its_course_and_counts_as_unseen() -> None:
    drawn = Drawn()
    drawn.staff(300, 80, 820, 4, slope=0.05, bare=slice(380, 460))
    (band,) = find_bands(drawn.seen)
    cells, space = courses(drawn.seen, band)
    course = follow_lines(average(drawn.leaf, space * CELL), drawn.seen, cells, band.first, space * CELL)
    assert course is not None
    hidden = (course.cols > 385) & (course.cols < 455)
    assert not course.seen[:, hidden].any()
    at = np.clip(course.cols.astype(int) - 80, 0, 739)
    assert np.abs(course.rows - drawn.true[0][:, at])[:, hidden].max() < 0.1 * SPACE
    for low, high in ends(course):
        assert course.cols[low] < 90
        assert course.cols[high - 1] > 810


def test_staves_one_above_the_other_and_side_by_side_stay_apart() -> None:
    drawn = Drawn()
    for bottom in (120, 240, 360):
        drawn.staff(bottom, 40, 420)
        drawn.staff(bottom + 9, 520, 860)
    bands = find_bands(drawn.seen)
    assert len(bands) == 6
    assert {len(courses(drawn.seen, band)[0]) for band in bands} == {4}


def test_a_stain_does_not_cut_a_staff() -> None:
    """Where the map still half believes in the staff, its pieces are one."""
    drawn = Drawn()
    drawn.staff(300, 80, 820)
    hole = slice(int(400 / CELL), int(450 / CELL))
    drawn.zone[0][:, hole], drawn.zone[1][:, hole] = 0.6, 0.4
    assert len(find_bands(drawn.seen)) == 1
    drawn.zone[0][:, hole], drawn.zone[1][:, hole] = 1.0, 0.0
    drawn.zone[0][:, int(420 / CELL) : int(700 / CELL)] = 1.0
    assert len(find_bands(drawn.seen)) == 2


@pytest.mark.parametrize("asked", [1, 2, 3, 5])
def test_another_number_of_lines_on_demand(asked: int) -> None:
    """The lines asked for keep the staff's own space."""
    drawn = Drawn()
    drawn.staff(300, 80, 820, 4)
    (band,) = find_bands(drawn.seen)
    cells, space = courses(drawn.seen, band)
    cells = as_asked(drawn.seen, band, cells, space, asked)
    assert len(cells) == asked
    gaps = -np.diff(cells, axis=0)
    assert np.allclose(gaps, space, rtol=0.05)


def test_nothing_on_an_empty_map() -> None:
    assert find_bands(Drawn().seen) == []


def test_the_view_of_a_page_is_padded_and_scaled() -> None:
    flat = np.full((333, 517, 3), 255, np.uint8)
    flat[100:110] = 55
    picture, size = picture_of(flat, 12.0)
    assert size == (round(517 / 2), round(333 / 2))
    assert picture.shape[2] % 16 == picture.shape[3] % 16 == 0
    assert picture[0, :, 51:54, 5].min() == pytest.approx(200 / 255, abs=0.01)
    assert picture[0, :, :, size[0] :].max() == 0.0
