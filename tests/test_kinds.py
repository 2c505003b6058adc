"""Which notation a page is in: found out with a probability, or as the user says."""

from __future__ import annotations

import dataclasses
from functools import cache
from types import SimpleNamespace
from typing import cast, get_args

import cv2
import msgspec
import numpy as np
import pytest

from neumary.coloured import mixed_paints
from neumary.gamut import gives_exact_pitch
from neumary.head_shapes import (
    CELLS,
    DIRECTIONS,
    MeasuredHead,
    change_of_hand,
    count_edges,
    describe,
    measure_heads,
    pointed_p,
)
from neumary.ink import map_ink
from neumary.kinds import lettered_p, name_kinds
from neumary.pitch import resolve_pitches
from neumary.settings import NOTATIONS, make_settings
from neumary.types import (
    Box,
    Glyph,
    InkMap,
    LineColour,
    NotationKind,
    Page,
    Reading,
    Scan,
    Staff,
    StaffLine,
)
from neumary_models.labels import HEADS
from neumary_synth.ageing import Ageing
from neumary_synth.hand import sample_hand
from neumary_synth.layout import Scribe
from neumary_synth.outlines import DIAMOND, SQUARE
from neumary_synth.plan import plan_page
from neumary_synth.render import render_page
from neumary_synth.sheets import FlatPage


@cache
def drawn(kind: str, seed: int) -> tuple[InkMap, Page]:
    """A clean page and its truth, read as well as can be."""
    cv2.setNumThreads(1)
    rendered = render_page(seed, kind, ageing=Ageing(), space_px=16)
    return map_ink(Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")), rendered.page


@pytest.mark.parametrize("kind", ["square", "pointed"])
def test_edges_tell_square_heads_from_pointed_ones(kind: str) -> None:
    right = []
    for seed in range(51, 57):
        ink, page = drawn(kind, seed)
        staves = name_kinds(ink, page.staves, page.glyphs, page.readings)
        right.append({staff.kind for staff in staves} == {kind})
        assert all(0.5 <= staff.kind_p <= 1 for staff in staves)
    assert np.mean(right) >= 5 / 6


def test_too_few_heads_say_nothing() -> None:
    ink, page = drawn("square", 51)
    few = [glyph for glyph in page.glyphs if glyph.staff == page.staves[0].id][:3]
    assert describe(measure_heads(ink, page.staves, few, page.readings)) is None
    assert name_kinds(ink, page.staves, (), ()) == list(page.staves)


def test_a_lozenge_has_slanting_edges_and_a_square_upright_ones() -> None:
    """Geometry: the edges of a square turned by 45 degrees are turned by 45 degrees."""
    square, lozenge = np.zeros((24, 24)), np.zeros((24, 24))
    square[8:16, 8:16] = 200
    rows, cols = np.indices((24, 24)) - 11.5
    lozenge[np.abs(rows) + np.abs(cols) < 6] = 200
    by_direction = [count_edges(patch).reshape(-1, 8).sum(axis=0) for patch in (square, lozenge)]
    upright, slanting = [0, 4], [1, 3, 5, 7]
    assert by_direction[0][upright].sum() > 1.5 * by_direction[0][slanting].sum()
    assert by_direction[1][slanting].sum() > 3 * by_direction[1][upright].sum()


def test_a_staff_that_falls_does_not_make_its_heads_slant() -> None:
    """Heads are looked at along the lines of their staff: a page askew tells the same as a level one."""

    def shares(fall: float) -> np.ndarray:
        turn = cv2.getRotationMatrix2D((50, 50), -np.degrees(np.arctan(fall)), 1.0)
        level = np.full((101, 101, 3), 255, np.uint8)
        level[42:59, 44:57] = 40
        flat = cv2.warpAffine(level, turn, (101, 101), flags=cv2.INTER_LINEAR, borderValue=(255, 255, 255))
        ink = cast(InkMap, SimpleNamespace(flat=flat, scale=1.0))
        line = StaffLine(
            cols=(0.0, 100.0), rows=(50 - 50 * fall, 50 + 50 * fall), thickness_px=1, colour="red", seen=1.0
        )
        staff = Staff(id="s", column=0, lines=(line,), space_px=20.0, area=Box(0, 0, 100, 100))
        head = Glyph(id="g", staff="s", row=50.0, col=50.0, box=Box(42, 44, 59, 57))
        reading = Reading(glyph="g", label="punctum", confidence=1.0)
        (measured,) = measure_heads(ink, [staff], [head], [reading])
        return measured.measures[:-2]

    assert np.abs(shares(0.12) - shares(0.0)).max() < 0.03
    turned = shares(0.12).reshape(-1, DIRECTIONS).sum(axis=0)
    assert turned[[0, 4]].sum() > 2 * turned[[1, 3, 5, 7]].sum()


def test_what_is_not_known_of_heads_is_taken_as_usual() -> None:
    ink, page = drawn("pointed", 51)
    described = describe(measure_heads(ink, page.staves, page.glyphs, page.readings))
    assert described is not None
    assert pointed_p(described) > 0.5
    nothing = pointed_p(np.full_like(described, np.nan))
    assert 0.1 < nothing < 0.9


def of_one_kind(kind: str) -> list[MeasuredHead]:
    ink, page = drawn(kind, 51)
    return measure_heads(ink, page.staves, page.glyphs, page.readings)


@pytest.mark.parametrize(("first", "rest"), [("pointed", "square"), ("square", "pointed")])
def test_a_change_of_hands_is_found(first: str, rest: str) -> None:
    one, other = of_one_kind(first)[:60], of_one_kind(rest)[:60]
    order = [f"s{k}" for k in range(6)]
    heads = [dataclasses.replace(head, staff=order[k // 30]) for k, head in enumerate(one)]
    heads += [dataclasses.replace(head, staff=order[2 + k // 15]) for k, head in enumerate(other)]
    assert change_of_hand(heads, order) == 2
    alone = [
        dataclasses.replace(head, staff=order[k // 20])
        for k, head in enumerate([*one, *of_one_kind(first)[60:]])
    ]
    assert change_of_hand(alone, order) == 0


def test_heads_are_taken_from_all_over_the_page() -> None:
    ink, page = drawn("square", 51)
    crowd = [msgspec.structs.replace(g, id=f"{g.id}-{k}") for g in page.glyphs for k in range(4)]
    read = page.current()
    readings = [msgspec.structs.replace(read[g.id.split("-")[0]], glyph=g.id) for g in crowd]
    heads = measure_heads(ink, page.staves, crowd, readings)
    assert 60 <= len(heads) <= 120
    written = {g.staff for g in page.glyphs if read[g.id].label in HEADS}
    assert {head.staff for head in heads} == written
    assert heads[0].measures.shape == (CELLS * CELLS * DIRECTIONS + 2,)


def test_kinds_settled_before_stay() -> None:
    ink, page = drawn("two-line", 51)
    staves = name_kinds(ink, page.staves, page.glyphs, page.readings)
    assert [staff.kind for staff in staves] == ["coloured-lines"] * len(staves)


@pytest.mark.parametrize("asked", get_args(NotationKind))
def test_what_the_user_says_holds(asked: NotationKind) -> None:
    ink, page = drawn("square", 51)
    staves = name_kinds(ink, page.staves, page.glyphs, page.readings, asked)
    assert {(staff.kind, staff.kind_p) for staff in staves} == {(asked, 1.0)}


def test_the_setting_knows_every_kind() -> None:
    assert ("auto", *get_args(NotationKind)) == NOTATIONS
    assert make_settings().notation_asked is None
    assert make_settings(notation="letters").notation_asked == "letters"
    assert make_settings(notation="letters").sha256 != make_settings().sha256


@pytest.mark.parametrize("kind", get_args(NotationKind))
@pytest.mark.parametrize("lines", [0, 1, 2])
def test_few_lines_never_give_exact_pitch(kind: NotationKind, lines: int) -> None:
    _, page = drawn("square", 51)
    staves = [
        msgspec.structs.replace(staff, kind=kind, lines=staff.lines[1 : 1 + lines]) for staff in page.staves
    ]
    assert not any(gives_exact_pitch(staff) for staff in staves)
    readings, _ = resolve_pitches(staves, page.glyphs, page.readings)
    certain = {r.pitch.certainty for r in readings if r.label in HEADS and r.pitch is not None}
    assert "exact" not in certain
    if kind == "staffless":
        assert certain == {"contour"}


def test_more_letters_make_the_kind_surer() -> None:
    p = [lettered_p(share) for share in (0.0, 0.3, 0.6, 1.0)]
    assert p == sorted(p) and p[0] < 0.05 and p[-1] > 0.95


@pytest.mark.parametrize(
    ("colours", "mixed"),
    [
        (["red"] * 4, False),
        (["yellow"] * 4, False),
        (["black", "red", "black", "black"], False),
        (["black", "red", "black", "yellow"], False),  # one coloured line of each among plain ones
        (["red", "yellow", "red", "yellow"], True),  # two staves of two lines taken for one
        (["brown", "yellow", "grey"], True),
        (["red", "yellow", "brown"], True),
    ],
)
def test_staves_of_two_lines_taken_for_one_are_not_believed(colours: list[LineColour], mixed: bool) -> None:
    _, page = drawn("square", 51)
    staff = next(staff for staff in page.staves if len(staff.lines) == 4)
    lines = tuple(
        msgspec.structs.replace(line, colour=colour)
        for line, colour in zip(staff.lines, colours, strict=False)
    )
    painted = msgspec.structs.replace(staff, lines=lines)
    assert mixed_paints(painted) == mixed
    doubtful = msgspec.structs.replace(painted, kind_p=0.3 if mixed else 1.0)
    own = [g for g in page.glyphs if g.staff == staff.id]
    readings, _ = resolve_pitches([doubtful], own, page.readings)
    mine = {g.id for g in own}
    certain = {r.pitch.certainty for r in readings if r.glyph in mine and r.label in HEADS and r.pitch}
    assert ("exact" in certain) != mixed or certain == {"contour"}


# Hands as drawn -----------------------------------------------------------------------------


def test_pointed_hands_never_draw_level_heads() -> None:
    """The top of a head falls to the right at least twice as steeply as in any square hand."""

    def falls(style: str) -> list[float]:
        """Of the top edge, from the corners that `neumary_synth.outlines` puts it between."""
        out = []
        for hand in (sample_hand(seed, style) for seed in range(300)):
            corners = (1 - abs(hand.turn)) * SQUARE + abs(hand.turn) * DIAMOND
            (row, col), (end_row, end_col) = corners[:2]
            down = (end_row - row) * hand.head_height * np.sign(hand.turn)
            out.append(down / ((end_col - col) * hand.head_width) - hand.rise)
        return out

    assert min(falls("pointed")) > 0.19
    assert max(falls("square")) < 0.19


def test_a_later_square_hand_makes_its_staves_square() -> None:
    rng = np.random.default_rng(3)
    plan = plan_page(rng, "pointed", 12.0)
    plan = dataclasses.replace(plan, staves=plan.staves[:4])
    page = FlatPage(plan.height, plan.width, plan.space_px, plan.leaf)
    scribe = Scribe(plan, rng, page)
    for number, (slot, after) in enumerate(zip(plan.staves, [*plan.staves[1:], None], strict=True)):
        scribe.habits = dataclasses.replace(scribe.habits, later=float(number == 2))
        scribe.write_staff(slot, after)
    assert [staff.kind for staff in page.staves] == ["pointed"] * 2 + ["square"] * 2  # and it goes on
