"""Lines that are ink, and lines only thought into a grid of notes."""

from __future__ import annotations

import cv2
import msgspec
import numpy as np
import pytest

from neumary.ink import map_ink
from neumary.inked_lines import drawn_p, line_contrast, only_thought
from neumary.leaf_map import LeafMap
from neumary.types import Box, InkMap, Scan, Staff, StaffLine
from neumary_synth.ageing import Ageing
from neumary_synth.render import Rendered, render_page


def seen(kind: str) -> tuple[InkMap, Rendered]:
    cv2.setNumThreads(1)
    rendered = render_page(51, kind, ageing=Ageing(), space_px=16)
    return map_ink(Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")), rendered


@pytest.mark.parametrize("kind", ["square", "pointed", "two-line", "one-line"])
def test_drawn_lines_are_taken_for_drawn(kind: str) -> None:
    ink, rendered = seen(kind)
    assert drawn_p(ink, rendered.page.staves) > 0.95


def test_a_grid_without_ink_is_none() -> None:
    """Lines laid over neumes that were written without any, as a network may think them there."""
    ink, rendered = seen("letters")
    page = rendered.page
    staves = []
    for staff in page.staves:
        own = [glyph for glyph in page.glyphs if glyph.staff == staff.id]
        left, right = min(g.col for g in own), max(g.col for g in own)
        middle = float(np.median([g.row for g in own]))
        lines = tuple(
            StaffLine(cols=(left, right), rows=(row, row), thickness_px=2.0, colour="black", seen=0.9)
            for row in middle + staff.space_px * (1.5 - np.arange(4))
        )
        staves.append(msgspec.structs.replace(staff, lines=lines, kind="square"))
    assert drawn_p(ink, staves) < 0.1


def test_nothing_bare_says_nothing() -> None:
    """All written over: no parchment beside the line to compare with."""
    dark = np.full((60, 200), 255, np.uint8)
    ink = InkMap("p", np.zeros((60, 200, 3), np.uint8), dark, dark, 1.0)
    line = StaffLine(cols=(0.0, 199.0), rows=(30.0, 30.0), thickness_px=2.0, colour="black", seen=1.0)
    staff = Staff(id="s01", column=0, lines=(line,), space_px=12.0, area=Box(0, 0, 60, 200))
    assert line_contrast(ink, staff) is None
    assert drawn_p(ink, [staff]) == 1.0


@pytest.mark.parametrize(
    ("map_p", "drawn", "thought"), [(0.5, 0.2, True), (0.7, 0.2, False), (0.5, 0.8, False)]
)
def test_lines_are_thought_where_neither_ink_nor_map_shows_them(
    map_p: float, drawn: float, thought: bool
) -> None:
    ink = InkMap("p", np.zeros((60, 200, 3), np.uint8), *[np.zeros((60, 200), np.uint8)] * 2, 1.0)
    line = StaffLine(cols=(0.0, 199.0), rows=(30.0, 30.0), thickness_px=2.0, colour="black", seen=1.0)
    staff = Staff(id="s01", column=0, lines=(line,), space_px=12.0, area=Box(0, 0, 60, 200))
    cells = np.full((15, 50), map_p, np.float32)
    look = LeafMap(np.stack([cells] * 3), cells, cells, cells, cells, np.stack([cells] * 4), (4.0, 4.0))
    assert only_thought(ink, look, [staff], drawn) is thought
