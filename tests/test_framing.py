"""Staves that the picture's edge cuts: what the truth says of them, and what networks are taught."""

from __future__ import annotations

import numpy as np
import pytest

from neumary_models.labels import HEADS
from neumary_synth import framing
from neumary_synth.render import Rendered, render_page
from neumary_synth.warp import cropped, make_warp

SEEDS = {"square": (1, 2, 5, 6, 7), "two-line": (4,)}


@pytest.fixture(scope="module")
def pages() -> list[Rendered]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(framing, "_CUT_SHARE", 1.0)
        patch.setattr(framing, "_SIDE_SHARES", (0.6, 0.4, 0.0, 0.0))
        patch.setattr(framing, "_SECOND_SIDE", 0.0)
        return [render_page(seed, kind, space_px=14) for kind, own in SEEDS.items() for seed in own]


def _cut(page: Rendered) -> list[tuple[int, int, int]]:
    """Index of a staff in the truth and in `ruled`, and how many of its lines are cut off below."""
    out = []
    for i, staff in enumerate(page.page.staves):
        for j, whole in enumerate(page.ruled):
            rows = [x.rows[len(x.rows) // 2] for x in whole.lines]
            apart = [abs(row - staff.lines[0].row_at(x.cols[len(x.cols) // 2])) for row, x in zip(
                rows, whole.lines, strict=True)]  # fmt: skip
            if min(apart) < 0.3 * staff.space_px and len(whole.lines) > len(staff.lines):
                out.append((i, j, int(np.argmin(apart))))
    return out


def test_some_staves_are_cut_above_and_some_below(pages: list[Rendered]) -> None:
    missing = [below for page in pages for _, _, below in _cut(page)]
    assert len(missing) >= 3 and min(missing) == 0 < max(missing)


def test_the_truth_keeps_to_lines_in_the_picture(pages: list[Rendered]) -> None:
    for page in pages:
        for line in (x for staff in page.page.staves for x in staff.lines):
            assert min(line.rows) >= 0 and max(line.rows) <= page.page.height - 1
            assert min(line.cols) >= 0 and max(line.cols) <= page.page.width - 1


def test_whole_courses_go_on_beyond_the_edge(pages: list[Rendered]) -> None:
    """Every space of a staff is about its mean, whether its lines are in the picture or not."""
    beyond = 0
    for page in pages:
        for staff in page.ruled:
            rows = np.array([x.row_at((x.cols[0] + x.cols[-1]) / 2) for x in staff.lines])
            steps = 2 if staff.kind == "coloured-lines" else 1
            assert np.allclose(-np.diff(rows) / steps, staff.space_px, rtol=0.25)
            beyond += int(((rows < 0) | (rows > page.page.height - 1)).sum())
    assert beyond >= 3


def test_steps_count_from_the_lowest_line_in_the_picture(pages: list[Rendered]) -> None:
    """Heads stand where their step says, by the lines that are told."""
    away = []
    for page in pages:
        drawn, current = page.page, page.page.current()
        for i, _, below in _cut(page):
            staff = drawn.staves[i]
            for glyph in (g for g in drawn.glyphs if g.staff == staff.id and below):
                step = current[glyph.id].step
                if current[glyph.id].label in HEADS and step is not None:
                    away.append(abs(glyph.row - staff.row_of(step, glyph.col)) / staff.space_px)
    assert len(away) >= 5 and np.median(away) < 0.25 and max(away) < 1.0


def test_a_part_of_a_map_is_the_same_map() -> None:
    warp = make_warp(np.random.default_rng(3), (700, 500), 0.8, rotation_deg=1.5, waves_px=3.0)
    part = cropped(warp, (130, 60, 480, 333))
    assert (part.height, part.width) == (480 - 120, 333 - 48)
    points = np.array([[300.0, 200.0], [455.5, 310.2], [350.1, 111.1]])
    assert np.allclose(part.forward(points) + np.array([120, 48]), warp.forward(points), atol=1e-3)
    for ours, whole in zip(part.maps(), warp.maps(), strict=True):
        assert np.allclose(ours, whole[120:480, 48:333], atol=1e-3)
