"""Pitches against clef tables, the gamut, music21 and check melodies."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_pages import SPACE, Writer, name, sung

from neumary.custodes import check_page_turn
from neumary.errors import UsageError
from neumary.gamut import CLEF_DEGREES, GAMUT_DEGREES, base_degree, clef_step, degree_of
from neumary.pitch import accidental_degrees, resolve_pitches
from neumary.types import Box, Page, Reading, Syllable

# Lines and spaces of a four-line staff, bottom to top. C rows and F3, F4: guides to square
# notation (C3, C4: two independent ones); letters D, G by the same arithmetic. Octave: C line c4.
CLEF_TABLE = {
    ("c", 1): "c4 d4 e4 f4 g4 a4 b4",
    ("c", 2): "a3 b3 c4 d4 e4 f4 g4",
    ("c", 3): "f3 g3 a3 b3 c4 d4 e4",
    ("c", 4): "d3 e3 f3 g3 a3 b3 c4",
    ("c", 5): "b2 c3 d3 e3 f3 g3 a3",
    ("f", 1): "f3 g3 a3 b3 c4 d4 e4",
    ("f", 2): "d3 e3 f3 g3 a3 b3 c4",
    ("f", 3): "b2 c3 d3 e3 f3 g3 a3",
    ("f", 4): "g2 a2 b2 c3 d3 e3 f3",
    ("f", 5): "e2 f2 g2 a2 b2 c3 d3",
    ("g", 1): "g4 a4 b4 c5 d5 e5 f5",
    ("g", 3): "c4 d4 e4 f4 g4 a4 b4",
    ("d", 1): "d4 e4 f4 g4 a4 b4 c5",
    ("d", 4): "e3 f3 g3 a3 b3 c4 d4",
}

# Ut queant laxis, phrases 1-4 and 6 (E. MacDowell, Critical and Historical Essays, 1912).
UT_QUEANT = [
    "c3 d3 f3 d3 e3 d3",
    "d3 d3 c3 d3 e3 e3",
    "e3 f3 g3 e3 d3 e3 c3 d3",
    "f3 g3 a3 g3 f3 d3 d3",
    "a3 g3 a3 f3 g3 a3 a3",
]
# The same as steps over the bottom line under a C clef on line 4 (bottom line d3), written by hand.
UT_QUEANT_STEPS = [
    (-1, 0, 2, 0, 1, 0),
    (0, 0, -1, 0, 1, 1),
    (1, 2, 3, 1, 0, 1, -1, 0),
    (2, 3, 4, 3, 2, 0, 0),
    (4, 3, 4, 2, 3, 4, 4),
]


def codes(remarks: list) -> list[str]:
    return [remark.code for remark in remarks]


@pytest.mark.parametrize(("letter", "line"), CLEF_TABLE)
def test_clef_table(letter: str, line: int) -> None:
    leaf = Writer().staff().clef(letter, line).notes(*range(7))
    readings, _ = resolve_pitches(*leaf.parts)
    assert sung(readings) == CLEF_TABLE[letter, line].split()


@pytest.mark.parametrize("clef", ["C1", "C2", "C3", "C4", "C5", "F3", "F4", "F5"])
def test_bottom_line_agrees_with_music21(clef: str) -> None:
    # music21 is right for these; its F2 and hand-made clefs keep the treble's lowest line
    music21_clef = pytest.importorskip("music21.clef")
    lowest = music21_clef.clefFromString(clef).lowestLine  # diatonic number, c4 = 29
    base = base_degree(f"clef_{clef[0].lower()}", clef_step(int(clef[1])))
    assert base == lowest - 1


@pytest.mark.parametrize("line", range(3, 6))
def test_c_clef_equals_f_clef_two_lines_lower(line: int) -> None:
    assert base_degree("clef_c", clef_step(line)) == base_degree("clef_f", clef_step(line - 2))


def test_gamut_ends() -> None:
    # Gamma ut = G2, ee la = E5, twenty places (the Guidonian gamut)
    assert (degree_of("g", 2), degree_of("e", 5)) == GAMUT_DEGREES
    assert GAMUT_DEGREES[1] - GAMUT_DEGREES[0] + 1 == 20


def test_letters_stand_in_their_octave() -> None:
    named = {letter: name(CLEF_DEGREES[f"clef_{letter}"]) for letter in "abcdefg"}
    # c4, f3, d4, g4: claves signatae of the gamut; a3, b3, e4: common practice, no source
    assert named == {"a": "a3", "b": "b3", "c": "c4", "d": "d4", "e": "e4", "f": "f3", "g": "g4"}


@pytest.mark.parametrize(("phrase", "steps"), list(zip(UT_QUEANT, UT_QUEANT_STEPS, strict=True)))
def test_ut_queant_laxis(phrase: str, steps: tuple[int, ...]) -> None:
    leaf = Writer().staff().clef("c", 4).notes(*steps)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == phrase.split()
    assert remarks == []


def test_text_encoding_sounds_an_octave_higher() -> None:
    # The trade's text encoding puts the letters on a treble staff: music21 gives an octave more.
    volpiano = pytest.importorskip("music21.volpiano")
    # Veni Sancte Spiritus, music21's own test string; under F3 the bottom line is b2
    part = volpiano.toPart("1---c--d---f--d---ed--c--d---f---g--h--j---hgf--g--h---")
    heard = [note.pitch.diatonicNoteNum - 1 for note in part.recurse().notes]
    leaf = Writer().staff().clef("f", 3).notes(*(degree - 7 - 20 for degree in heard))
    readings, _ = resolve_pitches(*leaf.parts)
    assert sung(readings) == [
        "c3",
        "d3",
        "f3",
        "d3",
        "e3",
        "d3",
        "c3",
        "d3",
        "f3",
        "g3",
        "a3",
        "b3",
        "a3",
        "g3",
        "f3",
        "g3",
        "a3",
    ]


@given(st.lists(st.integers(-3, 9), max_size=12), st.integers(-2, 2))
def test_moving_clef_and_notes_together_changes_nothing(steps: list[int], lines: int) -> None:
    plain = Writer().staff(lines=5).clef("c", 3).notes(*steps)
    moved = Writer().staff(lines=5).clef("c", 3 + lines).notes(*(s + 2 * lines for s in steps))
    assert sung(resolve_pitches(*plain.parts)[0]) == sung(resolve_pitches(*moved.parts)[0])


def test_clef_change_within_a_staff() -> None:
    leaf = Writer().staff().clef("c", 4).notes(6).clef("c", 3).notes(6)
    assert sung(resolve_pitches(*leaf.parts)[0]) == ["c4", "e4"]


def test_both_clefs_agreeing_are_one() -> None:
    leaf = Writer().staff().clef("c", 4).clef("f", 2).notes(0, 2)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["d3", "f3"]
    assert remarks == []


def test_both_clefs_disagreeing_name_both_and_take_the_surer() -> None:
    leaf = Writer().staff().clef("c", 4, confidence=0.7).clef("f", 3, confidence=0.95).notes(0)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["b2"]
    assert codes(remarks) == ["clefs-disagree"]
    assert "C clef on line 4" in remarks[0].text and "F clef on line 3" in remarks[0].text


def test_a_clef_between_lines_goes_to_the_likelier_line() -> None:
    leaf = Writer().staff().sign("clef_c", 5, steps=((5, 0.5), (6, 0.3), (4, 0.2))).notes(6)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["c4"]
    assert codes(remarks) == ["clef-off-line"]


def test_without_a_clef_there_is_no_pitch() -> None:
    leaf = Writer().staff().notes(0, 2, 2, 1)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert {r.pitch.certainty for r in readings} == {"contour"}
    assert [r.pitch.contour for r in readings] == ["", "u", "s", "d"]
    assert codes(remarks) == ["clef-missing"]


# Accidentals ------------------------------------------------------------------------------------

B, A = 5, 4  # steps of b3 and a3 under a C clef on line 4


def _flat_leaf() -> Writer:
    leaf = Writer().staff().clef("c", 4).notes(A, A, A).sign("flat", B).notes(B, B, A, B)
    leaf.sign("division").notes(B, A)
    return leaf.staff().clef("c", 4).notes(B)


FLAT_SCOPES = {
    # one neume per head here: the first B only
    "note": "a3 a3 a3 bb3 b3 a3 b3 b3 a3 b3",
    # to the first division (Liber Usualis 1961, p. xviij), words unknown
    "word": "a3 a3 a3 bb3 bb3 a3 bb3 b3 a3 b3",
    "division": "a3 a3 a3 bb3 bb3 a3 bb3 b3 a3 b3",
    "staff": "a3 a3 a3 bb3 bb3 a3 bb3 bb3 a3 b3",
    "piece": "a3 a3 a3 bb3 bb3 a3 bb3 bb3 a3 bb3",
}


@pytest.mark.parametrize("scope", FLAT_SCOPES)
def test_flat_scope(scope: str) -> None:
    readings, remarks = resolve_pitches(*_flat_leaf().parts, flat_scope=scope)
    assert sung(readings) == FLAT_SCOPES[scope].split()
    assert codes(remarks) == (["words-unknown"] if scope == "word" else [])


def test_a_word_ends_the_flat() -> None:
    # Liber Usualis 1961, p. xviij: a flat holds for the whole word
    leaf = Writer().staff().clef("c", 4).notes(A).sign("flat", B).notes(B, B, B)
    second_b = leaf.glyphs[4].col
    words = [
        Syllable(id="y0001", staff="s01", box=Box(210, 120, 230, 160), wordpos="i"),
        Syllable(id="y0002", staff="s01", box=Box(210, 190, 230, 210), wordpos="t"),
        Syllable(id="y0003", staff="s01", box=Box(210, int(second_b), 230, 300), wordpos="s"),
    ]
    readings, remarks = resolve_pitches(*leaf.parts, flat_scope="word", syllables=words)
    assert sung(readings) == ["a3", "bb3", "b3", "b3"]
    assert remarks == []


@pytest.mark.parametrize("scope", ["note", "word", "division", "staff", "piece"])
def test_a_natural_cancels(scope: str) -> None:
    leaf = Writer().staff().clef("c", 4).notes(A).sign("flat", B).sign("natural", B).notes(B)
    assert sung(resolve_pitches(*leaf.parts, flat_scope=scope)[0]) == ["a3", "b3"]


def test_a_flat_beside_the_clef_holds_for_its_staff() -> None:
    # Liber Usualis 1961, p. xviij: next to the clef it holds unless a natural contradicts
    leaf = Writer().staff().clef("c", 4).sign("flat", B).notes(B).sign("division").notes(B)
    leaf.sign("natural", B).notes(B).sign("division").notes(B)
    assert sung(resolve_pitches(*leaf.parts, flat_scope="division")[0]) == ["bb3", "bb3", "b3", "bb3"]


def test_only_b_is_flattened() -> None:
    leaf = Writer().staff().clef("c", 4).notes(A).sign("flat", 1).notes(1)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["a3", "e3"]
    assert codes(remarks) == ["flat-not-b"]
    assert accidental_degrees(*leaf.parts) == {"g0003": degree_of("e", 3)}


def test_a_flat_written_again_on_a_staff_did_not_hold_to_its_end() -> None:
    """Common practice, no source: who repeats a flat does not mean the first to hold on."""
    leaf = Writer().staff().clef("c", 4).notes(4).sign("flat", 5).notes(5).sign("division").notes(5)
    once, said = resolve_pitches(*leaf.parts)
    assert sung(once) == ["a3", "bb3", "bb3"]
    assert "flat-repeated" not in codes(said)
    leaf.notes(4).sign("flat", 5).notes(5)
    twice, said = resolve_pitches(*leaf.parts)
    assert sung(twice) == ["a3", "bb3", "b3", "a3", "bb3"]
    assert "flat-repeated" in codes(said)


def test_one_flat_repeated_among_many_notes_that_have_none_is_a_slip() -> None:
    """Set on rendered pages kept out of training: such pages hold flats to the end of the staff."""
    leaf = Writer().staff().clef("c", 4).notes(A).sign("flat", B).notes(B).sign("flat", B).notes(B)
    start = leaf.glyphs[-1].col
    for k in range(4):
        leaf.sign("punctum", B, col=start + (10 + 3 * k) * SPACE)
    readings, said = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["a3", *["bb3"] * 6]
    assert "flat-repeated" not in codes(said)


def test_where_words_are_unknown_a_word_does_not_last_for_ever() -> None:
    """Design figure: in 213 cases on rendered pages no flat held farther than 15 staff spaces."""
    leaf = Writer().staff().clef("c", 4).notes(A, A, A).sign("flat", B).notes(B)
    start = leaf.glyphs[-1].col
    leaf.sign("punctum", B, col=start + 10 * SPACE).sign("punctum", B, col=start + 20 * SPACE)
    readings, _ = resolve_pitches(*leaf.parts, flat_scope="word")
    assert sung(readings)[-3:] == ["bb3", "bb3", "b3"]
    near, far, beyond = (r.pitch.alternatives for r in readings[-3:])
    assert [choice[1] for choice in far] == [-1, 0]  # both are offered, best first
    assert near[0][2] > beyond[0][2] > far[0][2]


def test_a_b_no_flat_touches_is_sure() -> None:
    leaf = Writer().staff().clef("c", 4).notes(A, B)
    assert resolve_pitches(*leaf.parts)[0][-1].pitch.alternatives == ((degree_of("b", 3), 0, 1.0),)


def test_a_flat_near_the_clef_is_its_notes_own_where_flats_are_repeated() -> None:
    """Common practice, no source: who writes a flat anew for each word does not mean a signature."""
    leaf = Writer().staff().clef("c", 4).sign("flat", B).notes(B).sign("division").notes(B)
    leaf.sign("flat", B).notes(B)
    assert sung(resolve_pitches(*leaf.parts)[0]) == ["bb3", "b3", "bb3"]


def test_unknown_scope_is_refused() -> None:
    with pytest.raises(UsageError, match="flat scope"):
        resolve_pitches(*_flat_leaf().parts, flat_scope="bar")


# Custos -----------------------------------------------------------------------------------------


def test_a_custos_is_compared_as_pitch() -> None:
    # f3 announced under C4 is step 2; under C3 the same pitch is the bottom line
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 2).staff().clef("c", 3).notes(0)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert remarks == []
    assert name(readings[2].pitch.degree) == "f3"


def test_a_custos_that_lies_is_reported_with_both_names() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 2).staff().clef("c", 4).notes(4)
    _, remarks = resolve_pitches(*leaf.parts)
    assert codes(remarks) == ["custos-mismatch"]
    assert "f3" in remarks[0].text and "a3" in remarks[0].text and "clef" in remarks[0].text


def test_a_custos_a_step_out_does_not_accuse_the_clef() -> None:
    # clefs stand on lines, so a wrong one shifts by an even number of steps, C for F by four
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 2, confidence=0.6)
    leaf.staff().clef("c", 4).notes(3)
    _, remarks = resolve_pitches(*leaf.parts)
    assert codes(remarks) == ["custos-step"]
    assert "clef" not in remarks[0].text and "p 0.60" in remarks[0].text


def test_a_custos_is_compared_over_the_page_turn() -> None:
    def page(leaf: Writer, number: int) -> Page:
        readings, _ = resolve_pitches(*leaf.parts)
        parts = {"staves": tuple(leaf.staves), "glyphs": tuple(leaf.glyphs), "readings": tuple(readings)}
        return Page(page_id=f"p{number}", source="", sha256="", width=900, height=900, **parts)

    recto = page(Writer().staff().clef("c", 4).notes(4, 5).sign("custos", 2), 1)
    assert check_page_turn(recto, page(Writer().staff().clef("f", 4).notes(6), 2)) == []  # f3 both times
    (told,) = check_page_turn(recto, page(Writer().staff().clef("c", 2).notes(2), 2))
    assert (told.code, told.staff) == ("custos-mismatch", "s01")
    assert "f3" in told.text and "c4" in told.text and "page p2" in told.text
    assert check_page_turn(page(Writer().staff().clef("c", 4).notes(4), 1), recto) == []


def test_a_custos_before_a_clef_change_is_read_in_the_clef_being_left() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 6).clef("c", 3).notes(4)
    assert resolve_pitches(*leaf.parts)[1] == []


# Doubt, layers, ranges --------------------------------------------------------------------------


def test_alternatives_follow_the_steps() -> None:
    leaf = Writer().staff().clef("c", 4, confidence=1.0)
    leaf.sign("punctum", 2, steps=((2, 0.7), (3, 0.3)))
    pitch = resolve_pitches(*leaf.parts)[0][-1].pitch
    assert pitch.certainty == "exact"
    assert [(name(d), p) for d, _, p in pitch.alternatives] == [("f3", 0.7), ("g3", 0.3)]


def test_notes_outside_the_gamut_are_reported() -> None:
    leaf = Writer().staff().clef("f", 4).notes(-1)
    assert codes(resolve_pitches(*leaf.parts)[1]) == ["outside-gamut"]


def test_other_layers_give_contour_and_stay_out_of_the_melody() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4).notes(9, 11, starts_neume=0.0)
    leaf.glyphs[2:] = [msgspec.structs.replace(g, layer="upper") for g in leaf.glyphs[2:]]
    readings, _ = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["a3", "?", "?"]
    assert readings[-1].pitch.contour == "u"


def test_corrected_readings_hold_and_old_ones_stay() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4)
    leaf.readings.append(Reading(glyph="g0002", label="punctum", confidence=1.0, step=3, by="human"))
    readings, _ = resolve_pitches(*leaf.parts)
    assert [r.pitch is None for r in readings] == [True, True, False]
    assert sung(readings) == ["g3"]


def test_no_lines_no_letters_no_pitch() -> None:
    leaf = Writer().staff(lines=0, kind="staffless").sign("punctum", row=150.0).sign("virga", row=120.0)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert [r.pitch.certainty for r in readings] == ["contour", "contour"]
    assert readings[1].pitch.contour == "u" and readings[1].pitch.degree is None
    assert codes(remarks) == ["no-pitch"]


def test_one_red_line_is_f_and_doubt_grows_with_distance() -> None:
    leaf = Writer().staff(lines=1, colours=["red"], kind="coloured-lines")
    leaf.sign("punctum", 0).sign("punctum", 2).sign("punctum", 6)
    readings, remarks = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["f3", "a3", "e4"]
    best = [r.pitch.alternatives[0][2] for r in readings]
    assert best == sorted(best, reverse=True) and best[0] > 0.85 and best[2] < 0.5
    assert {r.pitch.certainty for r in readings} == {"ranged"}
    assert codes(remarks) == ["pitch-ranged"]


def test_red_and_yellow_line_a_fifth_apart() -> None:
    # red = F, yellow = C (medieval theory): the two lines stand a fifth apart, whatever their distance
    leaf = Writer().staff(lines=2, colours=["red", "yellow"], kind="coloured-lines")
    rows = [200.0 - SPACE * i / 4 for i in range(5)]
    for row in rows:
        leaf.sign("punctum", row=row)
    assert sung(resolve_pitches(*leaf.parts)[0]) == ["f3", "g3", "a3", "b3", "c4"]


def test_a_red_line_among_plain_ones_is_a_clef() -> None:
    leaf = Writer().staff(lines=4, colours=["black", "red", "black", "black"], kind="coloured-lines")
    leaf.notes(2, 6)
    assert sung(resolve_pitches(*leaf.parts)[0]) == ["f3", "c4"]


def test_letters_without_lines_are_wider_than_lines() -> None:
    leaf = Writer().staff(lines=0, kind="letters").sign("clef_f", row=200.0).sign("clef_c", row=160.0)
    leaf.sign("punctum", row=200.0).sign("punctum", row=180.0)
    readings, _ = resolve_pitches(*leaf.parts)
    assert sung(readings) == ["f3", "a3"]
    lined = Writer().staff(lines=1, colours=["red"], kind="coloured-lines").sign("punctum", 0)
    on_line = resolve_pitches(*lined.parts)[0][0].pitch.alternatives[0][2]
    assert readings[2].pitch.alternatives[0][2] < on_line


def test_nothing_gives_nothing() -> None:
    assert resolve_pitches([], [], []) == ([], [])
