"""Ruling that was never painted, taken out of staves whose own lines are; on lines drawn here."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from neumary.ink import map_ink
from neumary.leaf_map import LeafMap
from neumary.ruling import without_ruling
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
    "brown": (150, 120, 84),
    "pencil": (158, 148, 128),
    "pale yellow": (208, 190, 136),
    "pale": (204, 190, 159),
}
SPACE, LEFT, RIGHT, CELL = 20.0, 60.0, 840.0, 5


def found(
    paints: tuple[str, ...], others: tuple[str, ...] | None = None, mapped: tuple[float, ...] = ()
) -> list[int]:
    """Lines left on four staves whose lines, lowest first, have these paints; on three perhaps others.

    The leaf map sees each of them with the probability given, or not at all.
    """
    rgb = np.full((800, 900, 3), PARCHMENT, np.uint8)
    line = np.zeros((800 // CELL, 900 // CELL), np.float32)
    staves = []
    for i in range(4):
        own = others if others is not None and i else paints
        rows = [160 + 170 * i - SPACE * k for k in range(len(own))]
        for row, p in zip(rows, mapped, strict=False):
            line[round((row + 0.5) / CELL - 0.5)] = p
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
    ink = map_ink(Scan("p", rgb, "p.png", ""))
    cells = np.stack([line] * 4)
    seen = LeafMap(cells[:3], line, line, line, line, cells, (CELL * ink.scale, CELL * ink.scale))
    left = without_ruling(ink, seen, staves)
    kept = {staff.lines[0].rows[0] for staff in left}
    assert len(kept) == 4
    return [len(staff.lines) for staff in left]


@pytest.mark.parametrize(
    ("paints", "count"),
    [
        (("red", "ruling", "yellow", "ruling"), 2),
        (("ruling", "red", "ruling", "grey"), 2),  # a second paint may have faded
        (("pencil", "red", "pencil", "pale yellow"), 2),
        (("grey", "red", "grey", "pale yellow"), 4),  # pen lines of a full staff
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


@pytest.mark.parametrize(("second", "count"), [(0.5, 1), (0.72, 2)])
def test_a_faded_second_line_stays_where_the_map_sees_it_as_it_sees_the_painted_one(
    second: float, count: int
) -> None:
    assert found(("red", "dry"), mapped=(0.8, second)) == [count] * 4


@pytest.mark.parametrize(
    ("paints", "count"),
    [
        (("brown", "brown", "brown", "brown", "pale"), 4),
        (("pale", "black", "black", "black"), 3),
        (("black", "black", "black", "black", "brown"), 5),  # faded, but a line
        (("black", "black", "black", "black", "yellow"), 5),  # the c line of a full staff
        (("pale", "black", "black"), 3),
        (("black", "black", "pale", "black", "black"), 5),  # amid a staff a line has faded
    ],
)
def test_ruling_that_a_page_s_staves_stand_beside_goes(paints: tuple[str, ...], count: int) -> None:
    assert found(paints) == [count] * 4


@pytest.mark.parametrize(("pale", "count"), [(0.55, 4), (0.78, 5)])
def test_a_pale_line_at_the_edge_stays_where_the_map_sees_it_like_the_others(pale: float, count: int) -> None:
    assert found(("black",) * 4 + ("pale",), mapped=(0.8,) * 4 + (pale,)) == [count] * 4


@pytest.mark.parametrize(
    ("paints", "others", "count"),
    [
        (("red", "red", "red", "black"), ("red",) * 3, 3),
        (("ruling", "red", "red", "red", "red"), ("red",) * 4, 4),
        (("blue", "red", "red", "red", "red"), ("red",) * 4, 4),
        (("red",) * 5, ("red",) * 4, 5),
        (("black",) * 5, ("black",) * 4, 5),
        (("red", "red", "red", "red", "yellow"), ("red",) * 4, 5),
        (("black", "black", "black", "black", "pale"), ("black",) * 4, 4),
        (("red", "red", "red", "black"), ("red", "red", "red", "black"), 4),  # all have it: as they are
    ],
)
def test_a_line_of_another_ink_more_than_the_other_staves_have_goes(
    paints: tuple[str, ...], others: tuple[str, ...], count: int
) -> None:
    assert found(paints, others)[0] == count
