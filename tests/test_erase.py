"""Line removal, on strips small enough to check by eye."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.erase import darkness, erase_lines
from neumary.strips import STRIP_HEIGHT, STRIP_SPACE, line_rows
from neumary.types import Box, Staff, Strip


def strip_with(heads: list[tuple[int, int]], line_level: int, n_lines: int = 4, thickness: int = 2) -> Strip:
    rgb = np.full((STRIP_HEIGHT, 320, 3), 255, np.uint8)
    for row in line_rows(range(n_lines)):
        rgb[int(row) - thickness // 2 : int(row) - thickness // 2 + thickness] = line_level
    for row, col in heads:
        rgb[row - 6 : row + 6, col - 5 : col + 5] = 20
    staff = Staff(id="s01", column=0, lines=(), space_px=STRIP_SPACE, area=Box(0, 0, 1, 1))
    grid = np.zeros(rgb.shape[:2], np.float32)
    return Strip(
        staff=staff,
        rgb=rgb,
        line_rows=line_rows(range(n_lines)),
        space=STRIP_SPACE,
        page_rows=grid,
        page_cols=grid,
    )


@pytest.mark.parametrize("line_level", [30, 120, 190])
@pytest.mark.parametrize("thickness", [1, 2, 4])
def test_bare_lines_vanish(line_level: int, thickness: int) -> None:
    left = erase_lines(strip_with([], line_level, thickness=thickness))
    assert left.max() <= 8


@pytest.mark.parametrize("line_level", [30, 120, 190])
def test_heads_on_and_between_lines_stay_whole(line_level: int) -> None:
    rows = line_rows(range(4))
    heads = [(int(rows[0]), 60), (int(rows[1]), 120), (int(rows[1]) - 8, 180), (int(rows[3]), 240)]
    strip = strip_with(heads, line_level)
    left = erase_lines(strip)
    for row, col in heads:
        assert left[row - 5 : row + 5, col - 4 : col + 4].min() >= 200, "the head has a hole"
    away = left.copy()
    for row, col in heads:
        away[row - 7 : row + 7, col - 6 : col + 6] = 0
    assert (away > 100).mean() < 0.001


def test_darkness_takes_coloured_ink_like_black() -> None:
    pixels = np.array([[[255, 255, 255], [200, 40, 40], [0, 0, 0]]], np.uint8)
    assert darkness(pixels).tolist() == [[0, 215, 255]]
