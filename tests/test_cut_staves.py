"""Staves whose beginning the picture's edge cuts off: what their clefs and the custodes before them tell."""

from __future__ import annotations

import msgspec
import pytest
from small_pages import Writer

from neumary.custodes import check_custodes
from neumary.decide import decide
from neumary.gamut import signs_by_staff
from neumary.priors import log_lost
from neumary.types import Pitch
from neumary_models.labels import CLEFS

PHRASES = ((2, 3, 4, 3, 2, 4), (4, 5, 4, 3, 4, 5), (2, 3, 4, 3, 2, 3))
ANNOUNCED = (2, 3)  # notes lost beyond the edge, two steps away from the first that is seen


def leaf_with(edge: float, *, custodes: tuple[int, ...] = ANNOUNCED) -> Writer:
    """A staff under a C clef on line 3, two after it without a clef, their lines beginning at `edge`."""
    leaf = Writer()
    for i, phrase in enumerate(PHRASES):
        leaf.staff()
        if i == 0:
            leaf.clef("c", 3)
        leaf.notes(*phrase)
        if i + 1 < len(PHRASES):
            leaf.sign("custos", custodes[i])
    for i in (1, 2):
        lines = [msgspec.structs.replace(x, cols=(edge, 1500.0)) for x in leaf.staves[i].lines]
        leaf.staves[i] = msgspec.structs.replace(leaf.staves[i], lines=tuple(lines))
    return leaf


def clefs_of(leaf: Writer) -> dict[str, tuple[str, int | None]]:
    """Clef decided for each staff."""
    done = decide(*leaf.parts)
    staff_of = {g.id: g.staff for g in done.glyphs}
    current = {r.glyph: r for r in done.readings}
    return {staff_of[r.glyph]: (r.label, r.step) for r in current.values() if r.label in CLEFS}


def test_a_custos_may_announce_a_note_beyond_the_edge() -> None:
    assert set(clefs_of(leaf_with(2.0)).values()) == {("clef_c", 4)}


def test_within_the_picture_it_announces_the_first_note_seen() -> None:
    assert clefs_of(leaf_with(50.0))["s02"] == ("clef_c", 6)


@pytest.mark.parametrize(("edge", "blamed"), [(2.0, 0), (50.0, 2)])
def test_no_custos_is_blamed_for_a_note_that_cannot_be_seen(edge: float, blamed: int) -> None:
    leaf = leaf_with(edge)
    by_staff = signs_by_staff(*leaf.parts)
    pitches = {
        r.glyph: Pitch(certainty="exact", degree=24 + (r.step or 0))
        for r in leaf.readings
        if r.label != "clef_c"
    }
    assert len(check_custodes(leaf.staves, by_staff, pitches)) == blamed


@pytest.mark.parametrize(("col", "clef"), [(2.0, ("clef_c", 4)), (60.0, ("clef_f", 4))])
def test_half_a_sign_at_the_edge_is_hardly_a_clef(col: float, clef: tuple[str, int]) -> None:
    leaf = leaf_with(2.0)
    leaf.sign("clef_f", 4, col=col, confidence=0.9)
    assert clefs_of(leaf)["s03"] == clef


def test_lost_notes_make_any_near_pitch_likely() -> None:
    odds = [log_lost(d) for d in range(6)]
    assert odds[1:] == sorted(odds[1:], reverse=True)
    assert log_lost(-3) == log_lost(3)
