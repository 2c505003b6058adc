"""Latin syllables against published rules and a chant book's own division."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from neumary.latin import syllabify

# Allen and Greenough, New Latin Grammar (1903), section 7: examples of the rule and its notes
GRAMMAR = "a-ci-e mo-ne fi-li-us fe-ro-ci-ta-te pa-ter mi-li-tes in-iu-ri-a di-ui-do mit-to tol-lo"
# ... section 5 and 6: diphthongs, qu, gu and su before a vowel
SOUNDS = "cae-lum poe-nam au-rum cui huic heu a-qua san-guis lin-gua sua-uis de-us me-us"
# Division in chant books of the 20th century, from memory
CHANT = (
    "al-le-lu-ia san-ctus Do-mi-nus no-ster o-mnis ma-gni-fi-cat re-qui-e-scat Chri-stus e-ius psal-mus "
    "Is-ra-el Mi-cha-el a-do-re-mus e-le-i-son be-ne-di-ctus glo-ri-a pa-tri e-u-o-u-a-e"
)
# Spellings of scribes: u for v, i for j, e for ae
SCRIBES = "uo-ca-uit ue-ni-te ui-uus iux-ta ser-uus ad-iu-to-ri-um in-ui-tat con-uer-sus ad-uen-tus an-dre-am"


@pytest.mark.parametrize("divided", " ".join((GRAMMAR, SOUNDS, CHANT, SCRIBES)).split())
def test_division(divided: str) -> None:
    assert syllabify(divided.replace("-", "")) == divided.split("-")


def test_accents_capitals_and_ligatures_count_as_their_letters() -> None:
    assert syllabify("Allelúia,") == ["Al", "le", "lú", "ia,"]
    assert syllabify("sæcula") == ["sæ", "cu", "la"]
    assert syllabify("PATER") == ["PA", "TER"]


def test_hyphens_written_by_hand_hold() -> None:
    assert syllabify("con-fi-te-bor") == ["con", "fi", "te", "bor"]
    assert syllabify("ab-latus") == ["ab", "latus"]


@pytest.mark.parametrize("word", ["dns", "scs", "xp̄c", "·", ""])
def test_words_without_vowels_are_one_syllable(word: str) -> None:
    assert syllabify(word) == [word]


@given(st.text(alphabet="abcdefghiklmnopqrstuxyzæœáéíóú", min_size=1, max_size=14))
def test_nothing_is_lost_and_no_syllable_has_two_separate_vowels(word: str) -> None:
    parts = syllabify(word)
    assert "".join(parts) == word
    assert all(parts)
