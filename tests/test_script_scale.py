"""The size of a page by its small letters, where no staves tell it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import cast

import cv2
import numpy as np
import pytest

from neumary.ink import map_ink
from neumary.kinds import lettered_p, signs_rather_than_letters
from neumary.leaf_map import LeafMap, look
from neumary.piece_heights import piece_height_of_page_px
from neumary.script_scale import has_notes, look_by_script, never_written_on, notes_outside, under_words
from neumary.types import F32, Box, InkMap, Scan, Staff, StaffLine
from neumary_models.leaf_outputs import CHANNELS_OUT, LEAF_SPACE, REGIONS, STRIDE
from neumary_models.zoo import LoadedModel
from neumary_synth.ageing import Ageing
from neumary_synth.render import render_page


class Blind:
    """A leaf network that says the same everywhere."""

    def __init__(self, score: float) -> None:
        self.score = score

    def run(self, picture: F32) -> F32:
        rows, cols = (side // STRIDE for side in picture.shape[2:])
        return np.full((1, CHANNELS_OUT, rows, cols), self.score, np.float32)


def blind(score: float = -9.0) -> LoadedModel:
    return cast(LoadedModel, Blind(score))


def page_of(seed: int, space_px: float) -> Scan:
    cv2.setNumThreads(1)
    rendered = render_page(seed, "letters", ageing=Ageing(), space_px=space_px)
    return Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")


@pytest.mark.parametrize("space_px", [14.0, 30.0])
def test_script_tells_the_space_within_a_half(space_px: float) -> None:
    """Small letters and staff spaces of a page are about as high (common practice, no source)."""
    pages = (render_page(seed, "letters", ageing=Ageing(), space_px=space_px) for seed in itertools.count(61))
    # a later hand's notes without words tell nothing
    worded = (page.rgb for page in pages if np.mean(page.masks["text"] > 96) > 0.02)
    told = [1.1 * piece_height_of_page_px(rgb) / space_px for rgb in itertools.islice(worded, 3)]
    assert all(0.6 < one < 1.7 for one in told)


def seen_at(scan: Scan, ink: InkMap, space_px: float) -> LeafMap:
    return look(ink, space_px * ink.scale, blind())


def test_a_page_seen_at_a_wrong_size_is_looked_at_again() -> None:
    scan = page_of(61, 20.0)
    ink = map_ink(scan, 110.0)  # so coarse that neumes are blots
    again = look_by_script(scan, ink, seen_at(scan, ink, 110.0), blind())
    assert again is not None
    finer, seen = again
    assert finer.scale > 2 * ink.scale
    assert 12 < seen.cell_px[0] * LEAF_SPACE / STRIDE / finer.scale < 34


def test_a_page_seen_well_is_not_looked_at_again() -> None:
    scan = page_of(61, 20.0)
    told = 1.1 * piece_height_of_page_px(scan.rgb)
    ink = map_ink(scan, told)
    assert look_by_script(scan, ink, seen_at(scan, ink, told), blind()) is None


def test_a_blank_page_tells_nothing() -> None:
    scan = Scan(page_id="p", rgb=np.full((300, 200, 3), 225, np.uint8), source="p.png", sha256="0")
    ink = map_ink(scan)
    seen = look(ink, 20.0, blind())
    assert look_by_script(scan, ink, seen, blind()) is None
    assert not has_notes(seen)
    assert has_notes(look(ink, 20.0, blind(9.0)))


def test_notes_on_a_staff_are_not_outside() -> None:
    scan = Scan(page_id="p", rgb=np.full((400, 300, 3), 225, np.uint8), source="p.png", sha256="0")
    ink = map_ink(scan, 20.0)
    seen = look(ink, 20.0 * ink.scale, blind(9.0))  # notes everywhere
    whole, upper = (
        Staff(id="s01", column=0, lines=(), space_px=20.0, area=Box(0, 0, bottom, 300))
        for bottom in (400, 200)
    )
    assert notes_outside(seen, ink, []) == 1.0
    assert notes_outside(seen, ink, [upper]) == pytest.approx(0.5, abs=0.03)
    assert notes_outside(seen, ink, [whole]) == 0.0


@pytest.mark.parametrize(
    ("words_at", "notes_at", "lines", "none"),
    [
        (206, 60, 0.8, True),
        (206, 206, 0.8, False),
        (250, 60, 0.8, False),
        (250, 60, 0.65, True),  # nor does the map see the lines well
        (250, 206, 0.65, False),
        (250, 206, 0.55, True),  # it hardly sees any
    ],
)
def test_ruling_just_over_words_with_notes_elsewhere_is_no_staff(
    words_at: int, notes_at: int, lines: float, none: bool
) -> None:
    ink, seen = written(("text", words_at), ("free-sign", notes_at))
    seen = replace(seen, line=np.full_like(seen.line, lines))
    assert under_words(seen, ink, [lone_line()]) is none
    assert not under_words(seen, ink, [])


def test_notes_off_a_staff_alone_do_not_make_it_ruling() -> None:
    ink, seen = written(("text", 206), ("music", 60))
    seen = replace(seen, line=np.full_like(seen.line, 0.8))
    assert not under_words(seen, ink, [lone_line()])


@pytest.mark.parametrize(
    ("where", "empty"),
    [((), True), ((("text", 245),), False), ((("music", 190),), False), ((("text", 320),), True)],
)
def test_single_lines_with_nothing_near_them_are_ruling(
    where: tuple[tuple[str, int], ...], empty: bool
) -> None:
    ink, seen = written(*where)
    assert never_written_on(seen, ink, [lone_line()]) is empty
    assert not never_written_on(seen, ink, [lone_line(2)])  # staves may be ruled and never notated
    assert not never_written_on(seen, ink, [])


def written(*where: tuple[str, int]) -> tuple[InkMap, LeafMap]:
    """A bare leaf, 400 rows high, and a map on which these regions lie across it at these rows."""
    scan = Scan(page_id="p", rgb=np.full((400, 300, 3), 225, np.uint8), source="p.png", sha256="0")
    ink = map_ink(scan, 20.0)
    seen = look(ink, 20.0 * ink.scale, blind())
    cell = seen.cell_px[0] / ink.scale
    region = np.zeros_like(seen.region)
    for name, row in where:
        region[REGIONS.index(name), int((row - 6) / cell) : int((row + 12) / cell)] = 1.0
    return ink, replace(seen, region=region)


def lone_line(count: int = 1) -> Staff:
    """A staff whose lowest line runs at row 200."""
    lines = tuple(
        StaffLine(cols=(10.0, 290.0), rows=(row, row), thickness_px=2.0, colour="red", seen=1.0)
        for row in (200.0 - 20.0 * k for k in range(count))
    )
    return Staff(id="s01", column=0, lines=lines, space_px=20.0, area=Box(140, 0, 260, 300))


def test_letters_in_most_rows_outweigh_stray_signs() -> None:
    assert lettered_p(0.9, 10) > 0.95
    assert lettered_p(0.0, 10) < 0.05
    assert lettered_p(1.0, 1) < lettered_p(1.0, 10)
    assert not signs_rather_than_letters(0.99, heads=200, signs=7)
    assert signs_rather_than_letters(0.9, heads=10, signs=60)
    assert not signs_rather_than_letters(0.5, heads=0, signs=0)
