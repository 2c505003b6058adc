"""Invented chants keep to the modes and write like chant."""

from __future__ import annotations

import json
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from neumary_models.labels import HEADS
from neumary_synth.melody import B_DEGREE, CLEF_DEGREES, MODES, Chant, choose_clef, sample_chant
from neumary_synth.script import sample_latin

REFERENCE = Path(__file__).parents[2] / "shared" / "reference" / "reference_values.json"
PNAMES = "CDEFGAB"


def _degree(name: str) -> int:
    """Scientific pitch name to 7 * octave + letter."""
    return 7 * int(name[-1]) + PNAMES.index(name[0])


def _degrees(chant: Chant) -> list[int]:
    return [n.degree for y in chant.syllables for neume in y.neumes for n in neume.notes]


@pytest.fixture(scope="module")
def chants() -> list[Chant]:
    return [sample_chant(np.random.default_rng(seed)) for seed in range(160)]


@pytest.fixture(scope="module")
def reference() -> dict:  # type: ignore[type-arg]
    if not REFERENCE.exists():
        pytest.skip(f"the reference tables are not at {REFERENCE}")
    return json.loads(REFERENCE.read_text(encoding="utf-8"))


def test_modes_agree_with_the_reference_table(reference: dict) -> None:  # type: ignore[type-arg]
    """Finals, tenors, ambitus: the eight-mode table of reference_values.json, "modes"."""
    for row in reference["modes"]:
        mode = MODES[row["mode"]]
        low, high = map(_degree, row["ambitus"])
        assert (mode.final, mode.tenor) == (_degree(row["final"]), _degree(row["tenor"])), row["name"]
        assert (mode.low, mode.high) == (low, high), row["name"]
    assert len(reference["modes"]) == len(MODES)


def test_clef_degrees_agree_with_the_reference_table(reference: dict) -> None:  # type: ignore[type-arg]
    """Bottom lines under each clef: reference_values.json, "clefs_4line" (checked there against music21)."""
    for name, row in reference["clefs_4line"].items():
        letter, line = name[0].lower(), int(name[1:])
        assert CLEF_DEGREES[letter] - 2 * (line - 1) == _degree(row["bottom_line"]), name


def test_a_chant_ends_on_its_final_within_its_range(chants: list[Chant]) -> None:
    """The ambitus may be passed by a step (common practice, no source)."""
    for chant in chants:
        degrees, mode = _degrees(chant), MODES[chant.mode]
        assert degrees[-1] == chant.final == mode.final
        assert min(degrees) >= mode.low - 1 and max(degrees) <= mode.high + 1
        assert len(chant.syllables) == 60
    assert {chant.mode for chant in chants} == set(MODES)


def test_melodies_move_like_chant(chants: list[Chant]) -> None:
    """Seconds dominate, then repeated notes and thirds; wide leaps are rare (common practice, no source)."""
    moves: Counter[int] = Counter()
    for chant in chants:
        degrees = _degrees(chant)
        moves.update(abs(b - a) for a, b in pairwise(degrees))
    share = {k: v / moves.total() for k, v in moves.items()}
    assert share[1] > 0.45 and 0.08 < share[0] < 0.35 and 0.08 < share[2] < 0.25
    assert share[3] + share[4] < 0.12
    assert sum(v for k, v in share.items() if k > 4) < 0.01


def _published(reference: dict) -> list[list[int]]:  # type: ignore[type-arg]
    """Melodies of the reference table, as degrees; each with its printed source there."""
    melodies = []
    for melody in reference["incipits"].values():
        parts = melody.get("phrases", [melody])
        named = [p.get("pitches_gamut_octave") or p.get("pitches") for p in parts]
        melodies += [[_degree(name.replace("-", "").replace("b", "")) for name in p] for p in named if p]
    return melodies


def test_melodies_move_like_published_ones(chants: list[Chant], reference: dict) -> None:  # type: ignore[type-arg]
    """Steps between neighbouring notes against the check melodies of reference_values.json, "incipits".

    Among them Ut queant laxis after E. MacDowell, Critical and Historical Essays (1912), and Dies irae.
    They are few (some 60 moves), so shares need only agree within 0.15, and no wider leap may be common.
    """
    wanted: Counter[int] = Counter()
    for melody in _published(reference):
        wanted.update(min(abs(b - a), 4) for a, b in pairwise(melody))
    assert wanted.total() >= 40
    moves: Counter[int] = Counter()
    for chant in chants:
        moves.update(min(abs(b - a), 4) for a, b in pairwise(_degrees(chant)))
    for size in range(5):
        assert moves[size] / moves.total() == pytest.approx(wanted[size] / wanted.total(), abs=0.15), size


def test_neume_sizes_of_a_published_hymn_are_usual(chants: list[Chant], reference: dict) -> None:  # type: ignore[type-arg]
    """Notes per syllable of Ut queant laxis (MacDowell 1912) against simple invented chants."""
    phrases = reference["incipits"]["ut_queant_laxis"]["phrases"]
    hymn = [sum(len(neume) for neume in syllable) for p in phrases for syllable in p["notes"]]
    own = [sum(len(n.notes) for n in y.neumes) for chant in chants for y in chant.syllables]
    assert len(hymn) > 30
    assert np.mean(hymn) <= np.mean(own) + 0.2
    assert np.median(own) == np.median(hymn) == 1


def test_rare_heads_and_flats_can_be_asked_for() -> None:
    """What the pages rich in rare signs ask for comes out: three times as many, or nearly."""

    def share(ornate: float, flats: float) -> tuple[float, float]:
        drawn = [sample_chant(np.random.default_rng(k), ornate=ornate, flats=flats) for k in range(60)]
        notes = [n for c in drawn for y in c.syllables for neume in y.neumes for n in neume.notes]
        rare = sum(n.label in ("quilisma", "oriscus", "stropha", "liquescent") for n in notes)
        return rare / len(notes), sum(n.alter < 0 for n in notes) / len(notes)

    (few, few_flats), (many, many_flats) = share(1.0, 1.0), share(3.0, 3.0)
    assert 2.0 < many / few < 4.0
    assert many_flats > 1.5 * few_flats > 0


def test_neumes_have_the_sizes_of_chant(chants: list[Chant]) -> None:
    """About 60 % single notes, 22 % of two, 12 % of three (common practice, no source)."""
    sizes = Counter(len(n.notes) for chant in chants for y in chant.syllables for n in y.neumes)
    share = {k: v / sizes.total() for k, v in sizes.items()}
    assert share[1] == pytest.approx(0.6, abs=0.06)
    assert share[2] == pytest.approx(0.22, abs=0.04)
    assert share[3] == pytest.approx(0.12, abs=0.03)
    longest = max(sum(len(n.notes) for n in y.neumes) for chant in chants for y in chant.syllables)
    assert 12 <= longest <= 25


def test_heads_suit_the_contour(chants: list[Chant]) -> None:
    labels: Counter[str] = Counter()
    for chant in chants:
        for neume in (n for y in chant.syllables for n in y.neumes):
            notes = neume.notes
            labels.update(n.label for n in notes)
            i = 0
            while i < len(notes):
                if notes[i].label == "oblique":
                    assert notes[i + 1].label == "oblique" and notes[i + 1].degree < notes[i].degree
                    i += 1
                elif notes[i].label == "inclinatum" and i:
                    assert notes[i].degree < notes[i - 1].degree
                elif notes[i].label == "quilisma":
                    assert notes[i - 1].degree < notes[i].degree < notes[i + 1].degree
                i += 1
    assert set(labels) == HEADS
    assert labels["punctum"] == max(labels.values())


def test_only_b_is_flat_and_mostly_in_four_modes(chants: list[Chant]) -> None:
    """B-flat is the only accidental of chant (reference notes, section 2b)."""
    flats: Counter[bool] = Counter()
    for chant in chants:
        for note in (n for y in chant.syllables for neume in y.neumes for n in neume.notes):
            assert note.alter == 0 or (note.alter == -1 and note.degree == B_DEGREE)
            if note.alter:
                flats[chant.mode in (1, 2, 5, 6)] += 1
    assert flats[True] > 3 * flats[False] > 0


def test_clefs_fit_the_range() -> None:
    rng = np.random.default_rng(0)
    used: Counter[str] = Counter()
    for seed in range(300):
        degrees = _degrees(sample_chant(np.random.default_rng(seed), n_syllables=12))
        label, line = choose_clef(degrees, 4, rng)
        bottom = CLEF_DEGREES[label.removeprefix("clef_")] - 2 * (line - 1)
        assert 1 <= line <= 4
        assert min(degrees) - bottom >= -5 and max(degrees) - bottom <= 11
        used[label] += 1
    assert used["clef_c"] > used["clef_f"] > 5 * used["clef_g"]
    with pytest.raises(ValueError, match="line"):
        choose_clef([24], 0, rng)


def test_clefs_put_the_range_about_the_middle() -> None:
    rng = np.random.default_rng(2)
    off = []
    for low in list(range(17, 28)) * 40:
        label, line = choose_clef([low, low + 5], 4, rng)
        off.append(low + 2.5 - (CLEF_DEGREES[label.removeprefix("clef_")] - 2 * (line - 1) + 3))
    assert abs(np.mean(off)) < 0.5
    assert np.std(off) < 1.2  # 0.93 on photographed leaves; 1.4 where any clef would do that holds the notes


def test_word_positions_and_determinism() -> None:
    first, again = (sample_chant(np.random.default_rng(7), mode=4, n_syllables=33) for _ in range(2))
    assert first == again and first.mode == 4 and len(first.syllables) == 33
    before = "t"
    for syllable in first.syllables:
        assert (syllable.wordpos in "is") == (before in "ts"), "a word begins only where one ended"
        assert syllable.text and syllable.neumes and all(n.notes for n in syllable.neumes)
        before = syllable.wordpos
    with pytest.raises(ValueError, match="modes are 1 to 8"):
        sample_chant(np.random.default_rng(0), mode=9)


def test_latin_like_words() -> None:
    words = sample_latin(np.random.default_rng(3), 400)
    assert len(words) == 400 and len({"".join(w) for w in words}) > 200
    vowels = set("aeiou")
    assert all(s.isalpha() and s.islower() and vowels & set(s) for w in words for s in w)
    assert 1.8 < np.mean([len(w) for w in words]) < 3.2
