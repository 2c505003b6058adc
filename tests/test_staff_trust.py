"""Which staves are pen lines, on a leaf and courses made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.staff_lines import Course
from neumary.staff_trust import drawn
from neumary.types import U8, InkMap

SPACE, WIDTH, HEIGHT, LOWEST, STRIP = 16.0, 480, 200, 150, 4


def leaf(thick: int) -> InkMap:
    """Four level lines, pale and so many pixels thick."""
    flat: U8 = np.full((HEIGHT, WIDTH, 3), 255, np.uint8)
    for k in range(4):
        row = round(LOWEST - k * SPACE)
        flat[row - thick // 2 : row - thick // 2 + thick, 40:440] = 235
    ink = (255 - flat.min(axis=2)).astype(np.uint8)
    return InkMap(page_id="", flat=flat, dark=ink, coloured=np.zeros_like(ink), scale=1.0)


def course(seen: float, mapped: float, strength: float = 12.0) -> Course:
    """Those lines, seen in the ink, and on the map, on some shares of their length."""
    cols = (np.arange(40 // STRIP, 440 // STRIP) + 0.5) * STRIP - 0.5
    rows = LOWEST - SPACE * np.arange(4)[:, None] + np.zeros(len(cols))
    at = np.arange(len(cols)) / len(cols)
    there = [np.tile(at < share, (4, 1)) for share in (seen, mapped)]
    return Course(cols, rows, there[0], SPACE, strength=strength, mapped=there[1])


@pytest.mark.parametrize(
    ("thick", "one", "stays"),
    [
        (3, course(0.6, 0.0), True),
        (3, course(0.32, 0.0), False),
        (3, course(0.32, 0.7), True),  # pale, but the map sees lines
        (3, course(0.2, 0.9), False),
        (7, course(0.6, 0.0), False),
        (7, course(0.6, 0.7), True),  # blurred
        (9, course(0.6, 0.7), False),
        (3, course(0.9, 0.9, strength=4.0), False),
    ],
)
def test_lines_that_the_map_sees_may_be_paler_and_more_blurred(thick: int, one: Course, stays: bool) -> None:
    assert (drawn(leaf(thick), [one]) == [one]) is stays
