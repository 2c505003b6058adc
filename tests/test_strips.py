"""Straightening: a bent staff comes out level, and every strip pixel knows its place on the page."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.transform import warp

from neumary.strips import BOTTOM_ROW, STRIP_HEIGHT, STRIP_SPACE, cut_strip, line_rows, step_of_row
from neumary.types import Box, InkMap, Staff, StaffLine


def bent_staff(space: float, n_lines: int, width: int = 640, bow: float = 20.0) -> Staff:
    cols = np.linspace(60, width - 60, 40)
    bend = bow * np.sin(cols / width * np.pi)
    lines = tuple(
        StaffLine(
            cols=tuple(cols),
            rows=tuple(250 + bend - k * space),
            thickness_px=2,
            colour="red",
            seen=1.0,
        )
        for k in range(n_lines)
    )
    return Staff(id="s01", column=0, lines=lines, space_px=space, area=Box(0, 0, 10, 10))


def drawn(staff: Staff, shape: tuple[int, int] = (400, 640), thickness: int = 2) -> np.ndarray:
    page = np.full((*shape, 3), 255, np.uint8)
    for line in staff.lines:
        points = np.stack([line.cols, line.rows], 1)
        cv2.polylines(
            page, [np.round(points * 16).astype(np.int32)], False, (200, 60, 50), thickness, cv2.LINE_AA, 4
        )
    return page


def ink_map(page: np.ndarray, scale: float = 1.0) -> InkMap:
    nothing = np.zeros(page.shape[:2], np.uint8)
    return InkMap(page_id="p", flat=page, dark=nothing, coloured=nothing, scale=scale)


@pytest.mark.parametrize("n_lines", [1, 2, 4, 5])
@pytest.mark.parametrize("space", [11.0, 16.0, 37.0])
def test_lines_come_out_level_and_evenly_spaced(n_lines: int, space: float) -> None:
    staff = bent_staff(space, n_lines)
    strip = cut_strip(ink_map(drawn(staff)), staff)
    assert strip.rgb.shape[0] == STRIP_HEIGHT and strip.rgb.shape[1] % 16 == 0
    ink = 255 - strip.rgb.min(axis=2).astype(float)
    for row in line_rows(n_lines):
        band = ink[int(row) - 4 : int(row) + 5, 60:-60]
        centre = (band * np.arange(-4, 5)[:, None]).sum(0) / band.sum(0)
        assert np.abs(centre).max() < 0.05 * STRIP_SPACE


def test_sampling_agrees_with_scikit_image_warp() -> None:
    """The same grid through an independent implementation of the same bilinear sampling."""
    staff = bent_staff(18.0, 4)
    page = cv2.GaussianBlur(drawn(staff), (0, 0), 1.5)
    strip = cut_strip(ink_map(page), staff)
    theirs = warp(
        page.astype(float),
        np.stack(
            [
                np.broadcast_to(strip.page_rows[..., None], strip.rgb.shape),
                np.broadcast_to(strip.page_cols[..., None], strip.rgb.shape),
                np.broadcast_to(np.arange(3.0), strip.rgb.shape),
            ]
        ),
        order=1,
        mode="constant",
        cval=255.0,
        preserve_range=True,
    )
    assert np.abs(theirs - strip.rgb).max() <= 6  # OpenCV samples on 1/32 px
    assert np.abs(theirs - strip.rgb).mean() < 0.3


def test_grid_is_the_inverse_of_the_staffs_own_geometry() -> None:
    staff = bent_staff(20.0, 4)
    strip = cut_strip(ink_map(drawn(staff)), staff)
    for row in (10, 60, 100, 160):
        for col in (50, 200, 300):
            step = staff.step_at(float(strip.page_rows[row, col]), float(strip.page_cols[row, col]))
            assert step == pytest.approx(step_of_row(row), abs=0.02)
    assert step_of_row(BOTTOM_ROW) == 0


def test_working_scale_changes_nothing_but_sharpness() -> None:
    staff = bent_staff(36.0, 4, bow=10)
    page = drawn(staff, thickness=4)
    half = cv2.resize(page, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    full = cut_strip(ink_map(page), staff).rgb.astype(float)
    small = cut_strip(ink_map(half, 0.5), staff).rgb.astype(float)
    assert np.abs(cv2.blur(full, (5, 5)) - cv2.blur(small, (5, 5))).max() < 12


def test_a_staff_without_lines_is_refused() -> None:
    staff = Staff(id="s09", column=0, lines=(), space_px=20, area=Box(0, 0, 1, 1))
    with pytest.raises(ValueError, match="s09"):
        cut_strip(ink_map(np.full((50, 50, 3), 255, np.uint8)), staff)
