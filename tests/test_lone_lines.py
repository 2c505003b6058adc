"""A staff's only line among ruling and ornaments, and staves the map does not stand behind; made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.lone_lines import painted, steady_line, without_strays
from neumary.staff_lines import Course, average
from neumary.staff_trust import trust, trusted, without_lone
from neumary.types import InkMap
from neumary_models.leaf_outputs import REGIONS

SPACE, CELL = 20.0, 5.0
SHAPE = (200, 800)  # working pixels
CELLS = (40, 160)
RED, BROWN, GREY = (40, 150, 150), (120, 130, 140), (90, 90, 90)  # light swallowed


def leaf(lines: list[tuple[float, tuple[int, int, int], int, int]]) -> InkMap:
    """Level lines 3 pixels thick: row, light swallowed, first and last column."""
    flat = np.full((*SHAPE, 3), 255, np.uint8)
    for row, paint, left, right in lines:
        flat[round(row) - 1 : round(row) + 2, left:right] = 255 - np.array(paint)
    light, most = flat.max(axis=2), flat.min(axis=2)
    return InkMap("p", flat, 255 - light, light - most, 1.0, None)


def seen(line: list[tuple[float, int, int]], **regions: tuple[int, int]) -> LeafMap:
    """A map that sees lines on stretches of rows, and regions from one column of cells to another."""
    rows = np.arange(CELLS[0], dtype=np.float32)[:, None]
    p = np.zeros(CELLS, np.float32)
    for row, left, right in line:
        at = (row + 0.5) / CELL - 0.5
        p[:, left:right] = np.maximum(p[:, left:right], 0.8 * np.exp(-((rows - at) ** 2)))
    region = np.zeros((len(REGIONS), *CELLS), np.float32)
    for name, (left, right) in regions.items():
        region[REGIONS.index(name), :, left:right] = 0.8
    zeros = np.zeros(CELLS, np.float32)
    return LeafMap(np.stack([zeros] * 3), p, zeros, zeros, zeros, region, (CELL, CELL))


def course(row: float, left: int = 0, right: int = 160, unseen: tuple[int, int] = (0, 0)) -> Course:
    cols = (np.arange(left, right) + 0.5) * CELL - 0.5
    there = np.ones((1, len(cols)), bool)
    there[:, unseen[0] : unseen[1]] = False
    return Course(cols, np.full((1, len(cols)), row), there, SPACE, strength=100.0)


def settled(ink: InkMap, on_map: LeafMap, thought: Floats, middle: Floats) -> Floats:
    strips = average(ink, SPACE)
    cells = steady_line((strips, painted(ink, strips)), on_map, middle, thought[None], 0, SPACE)
    return np.asarray((cells[0] + 0.5) * CELL - 0.5, dtype=np.float64)


def cells_at(row: float) -> Floats:
    return np.full(CELLS[1], (row + 0.5) / CELL - 0.5)


def test_a_line_that_strays_onto_ruling_comes_back_to_its_paint() -> None:
    """The map saw the red line on the right half, and brown ruling a space below it on the left half."""
    ink = leaf([(90, RED, 0, 800), (110, BROWN, 0, 800)])
    on_map = seen([(110, 0, 80), (90, 80, 160)])
    thought = np.concatenate([cells_at(110)[:80], cells_at(90)[80:]])
    assert settled(ink, on_map, thought, cells_at(100)) == pytest.approx(90, abs=1.5)


def test_a_line_followed_well_is_left_as_it_is() -> None:
    ink = leaf([(90, RED, 0, 800), (110, GREY, 0, 800)])
    assert settled(ink, seen([(90, 0, 160)]), cells_at(90), cells_at(95)) == pytest.approx(90)


def test_what_lies_beyond_a_gap_is_none_of_a_staff() -> None:
    """Two spaces are bare; beyond, the ink runs on where the map sees no line, or the other way round."""
    ended, whole = seen([(90, 0, 100)]), seen([(90, 0, 100), (90, 108, 160)])
    ended.zone[0, :, 100:108] = whole.zone[0, :, 100:108] = 1.0
    filled, ghost = course(90, unseen=(98, 106)), course(90, unseen=(98, 160))
    assert without_strays(ended, filled).cols[-1] == pytest.approx(500, abs=8)
    assert without_strays(whole, ghost).cols[-1] == pytest.approx(500, abs=8)
    assert len(without_strays(whole, filled).cols) == 160  # its own line, beyond a hole
    assert len(without_strays(ended, course(90)).cols) == 160  # no gap: a line that the map doubts


@pytest.mark.parametrize("left", [False, True])
def test_an_ornament_beyond_a_gap_in_the_ink_is_none_of_a_line(left: bool) -> None:
    """The map is blurred over the gap, so that a row's filling seems to go on the line."""
    plain, filled = (seen([(90, 0, 160)], **ornament) for ornament in ({}, {"decoration": (110, 160)}))
    for one in (plain, filled):
        one.line[:, 104:] *= 0.5
        if left:
            one.line[:], one.region[:] = one.line[:, ::-1], one.region[..., ::-1]
    row = course(90, unseen=(52, 60) if left else (100, 108))
    assert len(without_strays(plain, row).cols) == 160
    kept = without_strays(filled, row).cols
    ends = (kept[0], kept[-1])
    assert ends == pytest.approx((56 * CELL, 160 * CELL) if left else (0, 104 * CELL), abs=CELL)


def test_the_map_stands_behind_lines_and_not_behind_words() -> None:
    on_map = seen([(90, 0, 160), (150, 0, 160)], text=(0, 80))
    bare, words = trust(on_map, course(90, 80, 160)), trust(on_map, course(90, 0, 80))
    assert bare > 0.6 and words < 0


def test_a_page_of_words_alone_has_no_staff() -> None:
    """A staff in words beside sound ones may stay; where none is sound, all go."""
    on_map = seen([(90, 0, 160)], text=(0, 40), decoration=(40, 60))
    doubtful, sound = course(90, 0, 100), course(90, 60, 160)
    assert trust(on_map, doubtful) < 0.3 < trust(on_map, sound)
    assert trusted(on_map, [doubtful, sound, sound]) == [doubtful, sound, sound]
    assert trusted(on_map, [doubtful]) == [] == trusted(on_map, [])
    assert trusted(on_map, [course(90, 0, 60), sound, sound]) == [sound, sound]


def test_a_single_line_on_a_page_of_full_staves_is_ruling() -> None:
    full = [replace(course(row), rows=row - SPACE * np.arange(4)[:, None] + np.zeros((4, 160))) for row in
            (300, 500, 700, 900)]  # fmt: skip
    lone, by_the_edge, cut = course(600), course(1180), replace(course(600), cut=2)
    assert without_lone([*full, lone], 1200) == full
    for kept in (by_the_edge, cut):
        assert without_lone([*full, kept], 1200) == [*full, kept]
    assert without_lone([full[0], lone], 1200) == [full[0], lone]
    mixed = [*full, lone, course(1000), course(1100)]
    assert without_lone(mixed, 1200) == mixed


def test_ghosts_of_the_other_side_are_no_staves() -> None:
    """A pale staff must be seen clearly on the map."""
    on_map = seen([(90, 0, 160)], decoration=(0, 20))
    pale = replace(course(90), strength=8.0)
    assert 0.45 < trust(on_map, pale) < 0.6
    assert trusted(on_map, [course(90)]) and not trusted(on_map, [pale])


def test_a_dark_photograph_keeps_pale_staves_that_are_clear_to_see() -> None:
    pale = replace(course(90), strength=8.0)
    on_map = seen([(90, 0, 160)], decoration=(0, 8))
    assert 0.6 < trust(on_map, pale) < 0.7
    assert trusted(on_map, [pale]) == [pale]
