"""Staves that the picture's edge cuts, on maps made by hand: what a perfect leaf network would say."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.leaf_map import LeafMap
from neumary.staff_bands import find_bands
from neumary.staff_comb import count_lines, find_combs, lines_of

SPACE = 3.0  # cells
TALL = 3 * SPACE  # four lines
SHAPE = (60, 200)


def map_of(top: float, first: int = 20, last: int = 180, fall: float = 0.0) -> LeafMap:
    """One staff of four lines, its top line at a row of the map, which may lie beyond it, and falling."""
    across = np.linspace(0, 1, SHAPE[1], dtype=np.float32)[None]
    rows = (
        -fall * across + np.arange(SHAPE[0], dtype=np.float32)[:, None] + np.zeros((1, SHAPE[1]), np.float32)
    )
    up, down = rows - top, top + TALL - rows
    on = (up > -SPACE) & (down > -SPACE)
    on[:, :first] = on[:, last:] = False
    line = np.zeros(SHAPE, np.float32)
    for k in range(4):
        line[(np.abs(rows - top - k * SPACE) < 0.5) & on] = 1.0
    zone = np.stack([~on, on, np.zeros_like(on)]).astype(np.float32) * 0.98 + 0.01
    return LeafMap(
        zone=zone,
        line=line,
        up=up,
        down=down,
        space=np.full(SHAPE, SPACE, np.float32),
        region=np.zeros((4, *SHAPE), np.float32),
        cell_px=(2.0, 2.0),
    )


@pytest.mark.parametrize("top", [20.0, -1.0, 54.0, 57.0, -7.0])
def test_a_staff_is_found_wherever_the_edge_cuts_it(top: float) -> None:
    """Whole; its top line out; its lowest line out; only its top line in; only its lowest line in."""
    seen = map_of(top)
    (band,) = find_bands(seen)
    assert (band.first, band.last) == (pytest.approx(20, abs=2), pytest.approx(180, abs=2))
    combs = find_combs(seen, band)
    rows, space = lines_of(combs, *count_lines([combs]), band.space)
    assert space == pytest.approx(SPACE, abs=0.1)
    assert rows.mean(axis=1) == pytest.approx([top + k * SPACE for k in (3, 2, 1, 0)], abs=0.3)


def test_a_staff_that_falls_over_the_edge_is_one() -> None:
    """On the left its middle is in the picture, on the right beyond it; cells err a little about where."""
    seen = map_of(50.0, fall=9.0)
    seen.down[SHAPE[0] - 3] += 0.3
    (band,) = find_bands(seen)
    assert (band.first, band.last) == (pytest.approx(20, abs=2), pytest.approx(180, abs=2))


def test_a_page_without_staves_has_none_at_its_edges() -> None:
    seen = map_of(20.0, first=200, last=200)
    assert find_bands(seen) == []


def test_a_scrap_at_the_edge_is_no_staff() -> None:
    assert find_bands(map_of(57.0, first=20, last=27)) == []
