"""Which look at a page is the best one, on bands made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.leaf_looks import Look, surely_lone
from neumary.leaf_map import LeafMap
from neumary.staff_bands import Band

EMPTY = np.zeros((4, 4), np.float32)
SEEN = LeafMap(np.stack([EMPTY] * 3), EMPTY, EMPTY, EMPTY, EMPTY, np.stack([EMPTY] * 4), (2.0, 2.0))


def look(lines: int, p: float, length: int = 100) -> Look:
    """Three staves of one or two lines, three cells a space."""
    band = Band(0, np.zeros(length), np.full(length, 6.0 * (lines - 1)), np.ones(length), 3.0, 0.0, p)
    return Look(1000.0, SEEN, [band] * 3, 6.0)


@pytest.mark.parametrize(
    ("one", "best", "lone"),
    [
        (look(1, 0.99), look(2, 0.90), True),
        (look(1, 0.99), look(1, 0.90), True),
        (look(1, 0.99), look(2, 0.98), False),  # two lines, and as surely
        (look(1, 0.94), look(2, 0.90), False),
        (look(2, 0.99), look(2, 0.90), False),  # worth more where it is longer, and else not
        (look(1, 0.99, 80), look(2, 0.90), False),  # some staves are not seen
    ],
)
def test_room_for_a_second_line_is_no_second_line(one: Look, best: Look, lone: bool) -> None:
    assert surely_lone(one, best) is lone
