"""Staves of the other side are none of this one, however much music the map sees on them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary.leaf_map import LeafMap
from neumary.shine_through import shines_through
from neumary.types import Box, InkMap, Staff, StaffLine
from neumary_models.leaf_outputs import REGIONS

CELL, SPACE = 4, 16
TOPS = (40, 140, 240)


def page(
    words: int, notes: int, lines: int, *, music: bool = True, text: bool = True
) -> tuple[LeafMap, InkMap, list[Staff]]:
    """Three staves above a block of words; ink strengths 0..255."""
    flat = np.full((400, 400, 3), 255, np.uint8)
    region = np.zeros((len(REGIONS), 100, 100), np.float32)
    staves = []
    for number, top in enumerate(TOPS, 1):
        for k in range(4):
            flat[top + k * SPACE - 1 : top + k * SPACE + 1, 20:380] = 255 - lines
        for col in range(40, 380, 40):
            flat[top + 18 : top + 30, col : col + 10] = 255 - notes
            if music:
                cells = slice((top + 18) // CELL, (top + 30) // CELL), slice(col // CELL, (col + 10) // CELL)
                region[REGIONS.index("music")][cells] = 1
        found = tuple(
            StaffLine(cols=(20.0, 380.0), rows=(row, row), thickness_px=2.0, colour="grey", seen=1.0)
            for row in (float(top + k * SPACE) for k in range(3, -1, -1))
        )
        area = Box(top - 20, 0, top + 70, 400)
        staves.append(Staff(id=f"s{number:02}", column=0, lines=found, space_px=float(SPACE), area=area))
    flat[330:380:8, 20:380] = 255 - words
    if text:
        region[REGIONS.index("text")][330 // CELL : 380 // CELL, 5:95] = 1
    nothing = np.zeros((100, 100), np.float32)
    seen = LeafMap(np.stack([nothing] * 3), nothing, nothing, nothing, nothing, region, (CELL, CELL))
    dark = np.zeros(flat.shape[:2], np.uint8)
    return seen, InkMap(page_id="p", flat=flat, dark=dark, coloured=dark, scale=1.0), staves


@pytest.mark.parametrize(
    ("words", "notes", "lines", "ghost"),
    [
        (200, 60, 5, True),
        (200, 120, 5, False),  # pale music of this side
        (200, 60, 60, False),  # pale notes on lines of a pen
        (60, 60, 5, False),  # all of the page is pale
    ],
)
def test_pale_music_on_paler_lines_shines_through(words: int, notes: int, lines: int, ghost: bool) -> None:
    assert shines_through(*page(words, notes, lines)) is ghost


def test_empty_staves_and_pages_without_words_tell_nothing() -> None:
    assert not shines_through(*page(200, 60, 5, music=False))
    assert not shines_through(*page(200, 60, 5, text=False))
    seen, ink, _ = page(200, 60, 5)
    assert not shines_through(seen, ink, [])


def test_one_pale_staff_among_others_stays() -> None:
    seen, ink, staves = page(200, 200, 150)
    _, pale, _ = page(200, 60, 5)
    flat = ink.flat.copy()
    flat[:110] = pale.flat[:110]
    assert not shines_through(seen, replace(ink, flat=flat), staves)
