"""Mode hints against the table of the eight modes and check melodies."""

from __future__ import annotations

import pytest
from small_pages import Writer

from neumary.gamut import degree_of
from neumary.modes import MODES, ambitus, hint_modes, suggest_mode
from neumary.pitch import resolve_pitches

# Final, tenor, ambitus of the eight modes: handbook tables (authentic: final and fifth above,
# mode 3 to c; plagal: tenor a third below, mode 8 to c, mode 4 to a).
TABLE = {
    1: ("d3", "a3", "d3", "d4"),
    2: ("d3", "f3", "a2", "a3"),
    3: ("e3", "c4", "e3", "e4"),
    4: ("e3", "a3", "b2", "b3"),
    5: ("f3", "c4", "f3", "f4"),
    6: ("f3", "a3", "c3", "c4"),
    7: ("g3", "d4", "g3", "g4"),
    8: ("g3", "c4", "d3", "d4"),
}
# Psalm-tone intonations with tenor and final of their mode (handbook tables; tone 4 is left out).
INTONATIONS = {
    1: "f3 g3 a3",
    2: "c3 d3 f3",
    3: "g3 a3 c4",
    5: "f3 a3 c4",
    6: "f3 g3 a3",
    7: "c4 b3 c4 d4",
    8: "g3 a3 c4",
}


def degrees(names: str) -> list[int]:
    return [degree_of(n[0], int(n[1])) for n in names.split()]


def test_table() -> None:
    ours = {m.number: (m.final, m.tenor, m.low, m.high) for m in MODES}
    assert ours == {n: tuple(degrees(" ".join(row))) for n, row in TABLE.items()}


@pytest.mark.parametrize("mode", INTONATIONS)
def test_a_psalm_tone_points_to_its_mode(mode: int) -> None:
    """Intonation, recitation on the tenor, then an antiphon's ambitus down to the final."""
    final, tenor, low, high = TABLE[mode]
    melody = degrees(
        f"{INTONATIONS[mode]} {tenor} {tenor} {tenor} {high} {tenor} {tenor} {low} {tenor} {final}"
    )
    assert suggest_mode(melody)[0][0] == mode


def test_ut_queant_laxis_is_mode_2() -> None:
    # E. MacDowell, Critical and Historical Essays, 1912; phrases 1-4 and 6, closing on its final d
    melody = (
        "c3 d3 f3 d3 e3 d3 d3 d3 c3 d3 e3 e3 e3 f3 g3 e3 d3 e3 c3 d3 f3 g3 a3 g3 f3 d3 d3 "
        "a3 g3 a3 f3 g3 a3 a3 d3"
    )
    assert suggest_mode(degrees(melody))[0][0] == 2


def test_transposition_to_the_affinals_keeps_the_final_class() -> None:
    melody = degrees("d3 f3 g3 a3 a3 a3 b3 c4 d4 a3 f3 e3 d3")
    best = suggest_mode(melody)[0][0]
    assert best == 1
    assert suggest_mode([d + 4 for d in melody])[0][0] in (1, 2)


def test_no_notes_say_nothing() -> None:
    assert suggest_mode([]) == [(mode, 0.125) for mode in range(1, 9)]
    assert ambitus([]) is None


def test_probabilities() -> None:
    found = suggest_mode(degrees("g3 a3 g3 f3 g3 a3 g3 c4 d4 c4"))  # Veni creator, first line
    assert sum(p for _, p in found) == pytest.approx(1.0)
    assert [p for _, p in found] == sorted((p for _, p in found), reverse=True)
    assert ambitus(degrees("g3 a3 f3 d4")) == (degree_of("f", 3), degree_of("d", 4))


def hymn_on(staves: int, custodes: bool) -> Writer:
    """Ut queant laxis, phrases 1-4 (MacDowell 1912), once on each staff under a C clef on line 4."""
    leaf = Writer()
    for _ in range(staves):
        leaf.staff().clef("c", 4)
        leaf.notes(-1, 0, 2, 0, 1, 0, 0, 0, -1, 0, 1, 1, 1, 2, 3, 1, 0, 1, -1, 0, 2, 3, 4, 3, 2, 0, 0)
        if custodes:
            leaf.sign("custos", -1)
    return leaf


def test_a_hint_names_range_last_note_and_mode() -> None:
    leaf = hymn_on(2, custodes=False)
    readings, remarks = resolve_pitches(*leaf.parts)
    (hint,) = hint_modes(leaf.staves, leaf.glyphs, readings)
    assert (hint.code, hint.staff) == ("mode-hint", "s01")
    assert "c3 to a3" in hint.text and "last note d3" in hint.text and "mode 2" in hint.text
    assert "s01 to s02" in hint.text
    assert not any(r.code == "mode-hint" for r in remarks)  # a hint is no warning


def test_a_staff_without_the_usual_custos_ends_a_melody() -> None:
    leaf = hymn_on(3, custodes=True)
    leaf.staff().clef("c", 4).notes(*[2, 3, 4] * 8)
    leaf.staff().clef("c", 4).notes(*[2, 3, 4] * 8)
    readings, _ = resolve_pitches(*leaf.parts)
    assert [h.staff for h in hint_modes(leaf.staves, leaf.glyphs, readings)] == ["s01", "s05"]


def test_too_few_notes_give_no_hint() -> None:
    leaf = Writer().staff().clef("c", 4).notes(2, 3, 4)
    assert hint_modes(leaf.staves, leaf.glyphs, resolve_pitches(*leaf.parts)[0]) == []
