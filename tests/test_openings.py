"""Openings of chants on real leaves, as their editors wrote them down, found in the melody as read.

The text encoding's letters are notes of a treble staff (9 = G3, a = A3, ... k = C5: the table of its
users' guide); the clef-literal octave used here is one lower.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from neumary.gamut import signs_by_staff
from neumary.pipeline import read_page
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.types import Page
from neumary_models import zoo

LETTERS = {letter: 18 + i for i, letter in enumerate("9abcdefghjklmnopqrs")}  # 9 = G2, one octave down


def opening_degrees(text: str) -> list[int]:
    """Degrees of an encoded melody; accidentals and everything that is no note are passed over."""
    return [LETTERS[ch] for ch in text.partition("-")[2] if ch in LETTERS]


def melody(page: Page) -> list[int | None]:
    by_staff = signs_by_staff(page.staves, page.glyphs, page.readings)
    heads = [s for staff in page.staves for s in by_staff[staff.id] if s.is_head]
    return [s.reading.pitch.degree if s.reading.pitch else None for s in heads]


def find_opening(opening: list[int], sung: list[int | None]) -> tuple[int, list[int | None]]:
    """Fewest edits that make a stretch of the melody the opening, and that stretch (P. H. Sellers, 1980)."""
    rows = [[(0, j) for j in range(len(sung) + 1)]]
    for i, wanted in enumerate(opening, 1):
        row = [(i, 0)]
        for j, found in enumerate(sung, 1):
            above, left, across = rows[-1][j], row[-1], rows[-1][j - 1]
            row.append(
                min(
                    (across[0] + (wanted != found), across[1]),
                    (above[0] + 1, above[1]),
                    (left[0] + 1, left[1]),
                )
            )
        rows.append(row)
    edits, start, end = min((e, s, j) for j, (e, s) in enumerate(rows[-1]))
    return edits, sung[start:end]


def test_the_encoding_is_read_an_octave_down() -> None:
    # F-clef line = f, C-clef line = k of the encoding: f3 = 24 and c4 = 28 here.
    assert opening_degrees("1---f--k---") == [24, 28]


@pytest.mark.parametrize(
    ("sung", "edits"),
    [([1, 2, 3, 4, 5], 0), ([9, 1, 2, 3, 9], 0), ([1, 3], 1), ([1, 2, 9, 3], 1), ([7, 8, 9], 3)],
)
def test_an_opening_is_found_with_its_deviations(sung: list[int | None], edits: int) -> None:
    assert find_opening([1, 2, 3], sung)[0] == edits


WHOLE = {
    # Of the second leaf's three chants only the first stands whole on the picture: the second begins
    # at its foot with the staff below cut off, the third stands overleaf (its cue alone is here).
    "antiphoner_f001r": (0, 1, 2, 3, 4, 5, 6),
    "antiphoner_f043r": (0,),
}


@pytest.mark.leaves
@pytest.mark.parametrize("leaf", WHOLE)
def test_openings_on_a_leaf(scans: Path, leaf: str) -> None:
    """The openings of a leaf together deviate from their editor's by no more than one note in sixteen.

    The editor himself reads one stack of the first leaf the other way round (two edits).
    """
    (scan,) = read_scans(scans / f"{leaf}.jpg")
    sung = melody(read_page(scan, ReadSettings(), zoo.load(zoo.DEFAULT)))
    edits = notes = 0
    for i, chant in enumerate(json.loads((scans / f"{leaf}.openings.json").read_text(encoding="utf-8"))):
        wanted = opening_degrees(chant["volpiano"])
        wrong, found = find_opening(wanted, sung)
        print(f"{chant['incipit']}: {wrong} of {len(wanted)}\n  wanted {wanted}\n  read   {found}")
        if i in WHOLE[leaf]:
            edits, notes = edits + wrong, notes + len(wanted)
    assert edits <= notes / 16
