"""Columns of staves and their reading order, on pages drawn as plain numbers."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from neumary.columns import Extent, order_staves

SPACE = 20.0
Box = tuple[float, float, float]  # left, right, row


def _page(boxes: Sequence[Box], slope: float = 0.0) -> list[Extent]:
    """Level staves, then the whole page turned by a small angle."""
    return [
        Extent(
            left - slope * (row + slope * left), right - slope * (row + slope * right),
            row + slope * (left + right) / 2, slope, SPACE,
        )
        for left, right, row in boxes
    ]  # fmt: skip


def _order(boxes: Sequence[Box], slope: float = 0.0) -> tuple[list[int], list[int]]:
    found = order_staves(_page(boxes, slope))
    return [i for _, i in found], [column for column, _ in found]


LEFT = [(100.0, 500.0, 200.0 + 140 * n) for n in range(8)]
RIGHT = [(540.0, 940.0, 230.0 + 140 * n) for n in range(8)]
TWO = [*LEFT, *RIGHT]


@pytest.mark.parametrize("slope", [-0.12, -0.05, 0.0, 0.05, 0.12])
def test_columns_are_read_one_after_the_other_however_the_leaf_is_turned(slope: float) -> None:
    assert _order(TWO, slope) == (list(range(16)), [0] * 8 + [1] * 8)


@pytest.mark.parametrize("slope", [-0.12, 0.0, 0.12])
def test_one_column_stays_one(slope: float) -> None:
    ragged = [(100.0 + 60 * (n % 3), 900.0 - 250 * (n % 2), 200.0 + 140 * n) for n in range(9)]
    assert _order(ragged, slope) == (list(range(9)), [0] * 9)


def test_two_staves_taken_for_one_do_not_join_their_columns() -> None:
    merged = [*LEFT[:4], (100.0, 940.0, 770.0), *LEFT[5:], *RIGHT[:4], *RIGHT[5:]]
    assert _order(merged)[0] == list(range(15))


def test_a_staff_followed_into_the_gutter_does_not_join_two_columns() -> None:
    assert _order([*LEFT[:5], (100.0, 590.0, 900.0), *LEFT[6:], *RIGHT]) == (
        list(range(16)),
        [0] * 8 + [1] * 8,
    )


def test_of_two_staves_side_by_side_in_one_column_the_left_one_comes_first() -> None:
    boxes = [(100.0, 900.0, 200.0), (560.0, 900.0, 338.0), (100.0, 420.0, 342.0), (100.0, 900.0, 480.0)]
    assert _order(boxes)[0] == [0, 2, 1, 3]


def test_nothing_gives_nothing() -> None:
    assert order_staves([]) == []


@given(st.lists(st.tuples(st.floats(0, 900), st.floats(10, 900), st.floats(0, 2000)), max_size=12))
def test_every_staff_is_read_once(found: list[Box]) -> None:
    order, columns = _order([(left, left + width, row) for left, width, row in found], 0.04)
    assert sorted(order) == list(range(len(found)))
    assert columns == sorted(columns)
