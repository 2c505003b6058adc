"""What was read as notes in the rubricator's ink is left out, but not on pages with many red notes."""

from __future__ import annotations

import numpy as np
import pytest

from neumary.rubric_ink import without_rubrics
from neumary.types import Box, Glyph, InkMap, Reading

BLACK, RED, LINE = (50, 45, 42), (200, 70, 55), (205, 90, 75)


def _leaf(inks: list[tuple[int, int, int]]) -> tuple[InkMap, list[tuple[Glyph, Reading]]]:
    """Square heads of these inks on a red staff line, one every 30 px, at half the photograph's size."""
    flat = np.full((40, 30 * len(inks) + 20, 3), 255, np.uint8)
    flat[19:21] = LINE
    signs = []
    for i, ink in enumerate(inks):
        col = 20 + 30 * i
        flat[14:26, col - 6 : col + 6] = ink
        name = f"g{i:04d}"
        box = Box(28, 2 * col - 14, 52, 2 * col + 14)
        signs.append((Glyph(id=name, staff="s01", row=40.0, col=2.0 * col, box=box),
                      Reading(glyph=name, label="punctum", confidence=0.9)))  # fmt: skip
    none = np.zeros(flat.shape[:2], np.uint8)
    return InkMap(page_id="p", flat=flat, dark=none, coloured=none, scale=0.5), signs


def _kept(inks: list[tuple[int, int, int]], **surer: float) -> list[int]:
    leaf, signs = _leaf(inks)
    signs = [(g, Reading(glyph=r.glyph, label=r.label, confidence=surer.get(g.id, 0.9))) for g, r in signs]
    return [int(glyph.id[1:]) for glyph, _ in without_rubrics(leaf, signs)]


def test_a_red_letter_among_black_notes_is_no_note() -> None:
    assert _kept([BLACK] * 20 + [RED]) == list(range(20))


def test_a_head_read_surely_stays() -> None:
    assert _kept([BLACK] * 20 + [RED], g0020=0.99) == list(range(21))


@pytest.mark.parametrize("inks", [[BLACK] * 12 + [RED] * 3, [RED] * 20 + [BLACK], [BLACK] * 4 + [RED]])
def test_red_notes_stay_where_there_are_many_or_few_heads_to_compare(inks: list) -> None:
    assert _kept(inks) == list(range(len(inks)))


def test_pale_and_brown_notes_stay() -> None:
    assert _kept([BLACK] * 20 + [(150, 122, 88), (205, 198, 190)]) == list(range(22))
