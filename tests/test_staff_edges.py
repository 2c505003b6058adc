"""Outer lines that the leaf map left out, on pictures made by hand.

That a staff's lines stand a space apart and are ruled alike is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from neumary.leaf_map import LeafMap
from neumary.staff_edges import with_edge_lines
from neumary.staff_lines import Course, InkStrips
from neumary.types import U8, InkMap

STRIP, SPACE, WIDTH, HEIGHT, LOWEST = 4, 16.0, 480, 300, 200
RED, BROWN = (190, 40, 30), (150, 120, 90)
NOTHING_SEEN = LeafMap(
    zone=np.zeros((3, 50, 80), np.float32),
    line=np.zeros((50, 80), np.float32),
    up=np.zeros((50, 80), np.float32),
    down=np.zeros((50, 80), np.float32),
    space=np.full((50, 80), 3.0, np.float32),
    region=np.zeros((4, 50, 80), np.float32),
    cell_px=(6.0, 6.0),
)


def leaf(lines: dict[float, tuple[tuple[int, int, int], float]]) -> tuple[InkMap, InkStrips]:
    """A bare leaf with level lines, three pixels thick: colour and share drawn by spaces above the lowest."""
    flat: U8 = np.full((HEIGHT, WIDTH, 3), 255, np.uint8)
    for place, (colour, share) in lines.items():
        row = round(LOWEST - place * SPACE)
        flat[row - 1 : row + 2, 40 : 40 + round(share * 400)] = colour
    ink = (255 - flat.min(axis=2)).astype(np.uint8)
    strips = np.ascontiguousarray(ink.T.reshape(WIDTH // STRIP, STRIP, -1).mean(axis=1), dtype=np.float32)
    nothing = np.zeros_like(ink)
    return InkMap(page_id="", flat=flat, dark=ink, coloured=nothing, scale=1.0), InkStrips(strips, STRIP, 3.0)


def staff(lowest: int, n: int) -> Course:
    cols = np.asarray((np.arange(40 // STRIP, 440 // STRIP) + 0.5) * STRIP - 0.5, dtype=np.float64)
    rows = np.repeat(LOWEST - SPACE * (lowest + np.arange(n))[:, None], len(cols), axis=1)
    return Course(cols, rows, np.ones(rows.shape, bool), SPACE, strength=150.0)


@pytest.mark.parametrize(("lowest", "outer"), [(0, 4), (1, 0)])
def test_a_line_just_like_the_others_belongs_to_the_staff(lowest: int, outer: int) -> None:
    ink, strips = leaf(dict.fromkeys(range(5), (RED, 1.0)))
    whole = with_edge_lines(ink, strips, NOTHING_SEEN, staff(lowest, 4), [])
    assert len(whole.rows) == 5
    assert np.abs(whole.rows[outer] - (LOWEST - outer * SPACE)).max() < 0.1 * SPACE


@pytest.mark.parametrize(
    ("place", "look"),
    [
        (4, (BROWN, 1.0)),  # ruling in another ink
        (4, (RED, 0.5)),  # a line that stops half-way
        (4.4, (RED, 1.0)),  # not a space away
        (5, (RED, 1.0)),  # two spaces away
    ],
)
def test_other_lines_do_not(place: float, look: tuple[tuple[int, int, int], float]) -> None:
    ink, strips = leaf({**dict.fromkeys(range(4), (RED, 1.0)), place: look})
    own = staff(0, 4)
    assert with_edge_lines(ink, strips, NOTHING_SEEN, own, []) is own


def test_no_line_of_another_staff_is_taken() -> None:
    ink, strips = leaf(dict.fromkeys(range(8), (RED, 1.0)))
    own, above = staff(0, 4), staff(4, 4)
    assert with_edge_lines(ink, strips, NOTHING_SEEN, own, [own, above]) is own


def test_few_lines_and_full_staves_stay() -> None:
    ink, strips = leaf(dict.fromkeys(range(6), (RED, 1.0)))
    for n in (1, 2, 5):
        own = staff(0, n)
        assert with_edge_lines(ink, strips, NOTHING_SEEN, own, []) is own
