"""Ruling that was never painted, taken out of staves whose own lines are; on lines drawn here."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from neumary.coloured import without_ruling
from neumary.ink import map_ink
from neumary.types import Box, Scan, Staff, StaffLine

PARCHMENT = (214, 200, 172)
PAINTS = {
    "red": (190, 60, 45),
    "yellow": (205, 165, 60),
    "black": (52, 46, 40),
    "grey": (120, 118, 116),
    "blue": (70, 90, 170),
    "ruling": (186, 174, 150),
    "dry": (200, 187, 161),
}
SPACE, LEFT, RIGHT = 20.0, 60.0, 840.0


def found(paints: tuple[str, ...], others: tuple[str, ...] | None = None) -> list[int]:
    """Lines left on four staves whose lines, lowest first, have these paints; on three perhaps others."""
    rgb = np.full((800, 900, 3), PARCHMENT, np.uint8)
    staves = []
    for i in range(4):
        own = others if others is not None and i else paints
        rows = [160 + 170 * i - SPACE * k for k in range(len(own))]
        for row, paint in zip(rows, own, strict=True):
            cv2.line(rgb, (int(LEFT), int(row)), (int(RIGHT), int(row)), PAINTS[paint], 2)
        lines = tuple(
            StaffLine(cols=(LEFT, RIGHT), rows=(row, row), thickness_px=2.0, colour="grey", seen=1.0)
            for row in rows
        )
        area = Box(0, 0, 0, 0)
        staves.append(Staff(id=f"s{i + 1:02d}", column=0, lines=lines, space_px=SPACE, area=area))
    noise = np.random.default_rng(3).normal(0, 3, rgb.shape)
    rgb = np.clip(rgb + noise, 0, 255).astype(np.uint8)
    left = without_ruling(map_ink(Scan("p", rgb, "p.png", "")), staves)
    kept = {staff.lines[0].rows[0] for staff in left}
    assert len(kept) == 4
    return [len(staff.lines) for staff in left]


@pytest.mark.parametrize(
    ("paints", "count"),
    [
        (("red", "ruling", "yellow", "ruling"), 2),
        (("ruling", "red", "ruling", "grey"), 2),  # a second paint may have faded
        (("yellow", "yellow", "yellow", "ruling"), 3),
        (("black", "red", "black", "yellow"), 4),  # painted lines among plain ones are lines of a full staff
        (("black", "red", "black", "black"), 4),
        (("red", "red", "red", "red"), 4),
        (("red", "red", "red", "red", "red"), 5),
        (("black", "black", "black", "black"), 4),
    ],
)
def test_only_ruling_under_painted_lines_goes(paints: tuple[str, ...], count: int) -> None:
    assert found(paints) == [count] * 4


@pytest.mark.parametrize(
    ("paints", "others", "count"),
    [
        (("red", "ruling"), ("red",), 1),
        (("red", "yellow"), ("red",), 2),
        (("red", "ruling"), ("red", "grey"), 2),  # staves of this page have two lines
        (("red", "dry"), ("red", "dry"), 1),  # no staff of this one has
        (("red", "dry"), ("red", "yellow"), 2),
    ],
)
def test_ruling_beside_a_painted_line_goes_where_staves_have_one(
    paints: tuple[str, ...], others: tuple[str, ...], count: int
) -> None:
    assert found(paints, others)[0] == count


@pytest.mark.parametrize(
    ("paints", "others", "count"),
    [
        (("red", "red", "red", "black"), ("red",) * 3, 3),
        (("ruling", "red", "red", "red", "red"), ("red",) * 4, 4),
        (("blue", "red", "red", "red", "red"), ("red",) * 4, 4),
        (("red",) * 5, ("red",) * 4, 5),
        (("black",) * 5, ("black",) * 4, 5),
        (("red", "red", "red", "red", "yellow"), ("red",) * 4, 5),
        (("red", "red", "red", "black"), ("red", "red", "red", "black"), 4),  # all have it: as they are
    ],
)
def test_a_line_of_another_ink_more_than_the_other_staves_have_goes(
    paints: tuple[str, ...], others: tuple[str, ...], count: int
) -> None:
    assert found(paints, others)[0] == count
