"""Straightening: a bent staff comes out level, and every strip pixel knows its place on the page."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from bent_staves import bent_staff, drawn, ink_map
from skimage.transform import warp

from neumary.strips import BOTTOM_ROW, STRIP_HEIGHT, STRIP_SPACE, cut_strip, line_rows, step_of_row
from neumary.types import Box, Staff


@pytest.mark.parametrize("n_lines", [1, 2, 4, 5])
@pytest.mark.parametrize("space", [11.0, 16.0, 37.0])
def test_lines_come_out_level_and_evenly_spaced(n_lines: int, space: float) -> None:
    staff = bent_staff(space, n_lines)
    strip = cut_strip(ink_map(drawn(staff)), staff)
    assert strip.rgb.shape[0] == STRIP_HEIGHT and strip.rgb.shape[1] % 16 == 0
    ink = 255 - strip.rgb.min(axis=2).astype(float)
    for row in line_rows(range(n_lines)):
        band = ink[int(row) - 4 : int(row) + 5, 60:-80]
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


def test_a_strip_keeps_more_of_the_margin_where_custodes_stand() -> None:
    staff = bent_staff(30.0, 4)
    cols = cut_strip(ink_map(drawn(staff)), staff).page_cols[0]
    left, right = staff.lines[0].cols[0], staff.lines[0].cols[-1]
    assert (left - cols[0]) / 30.0 == pytest.approx(2.5, abs=0.01)
    assert 3.4 < (cols[-1] - right) / 30.0 < 4.5


def test_a_staff_without_lines_is_refused() -> None:
    staff = Staff(id="s09", column=0, lines=(), space_px=20, area=Box(0, 0, 1, 1))
    with pytest.raises(ValueError, match="s09"):
        cut_strip(ink_map(np.full((50, 50, 3), 255, np.uint8)), staff)


def test_coloured_lines_two_spaces_apart_keep_the_scale() -> None:
    """A red F and a yellow C line: four steps, so two spaces, apart (common practice, no source)."""
    whole = bent_staff(18.0, 4)
    two = Staff(id="s01", column=0, lines=whole.lines[:3:2], space_px=18.0, area=Box(0, 0, 1, 1))
    assert two.places == (0, 2) and whole.places == (0, 1, 2, 3)
    for step in (-2.0, 0.0, 1.5, 4.0, 6.0):
        assert two.row_of(step, 300) == pytest.approx(whole.row_of(step, 300), abs=0.01)
        assert two.step_at(two.row_of(step, 300), 300) == pytest.approx(step, abs=1e-6)
    page = drawn(whole)
    one, other = cut_strip(ink_map(page), whole), cut_strip(ink_map(page), two)
    assert np.abs(one.page_rows - other.page_rows).max() < 0.1
    assert other.line_rows == line_rows([0, 2])
