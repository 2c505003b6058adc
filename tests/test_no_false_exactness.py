"""What is a range or mere contour stays so in every output: none makes an exact pitch of it.

Each format is taken apart here by other code than wrote it.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from artificial_pages import SAMPLES
from lxml import etree

from neumary.export_annotations import to_annotations
from neumary.export_musicxml import write_musicxml
from neumary.export_tables import COLUMNS, csv_bytes, tables
from neumary.export_text import staff_texts
from neumary.mei import to_mei
from neumary.mei_read import load_mei
from neumary.melody_text import melody_text
from neumary.types import Page, Pitch, Reading
from neumary_models.labels import HEADS

MEI = "{http://www.music-encoding.org/ns/mei}"
ID = "{http://www.w3.org/XML/1998/namespace}id"


def mixture(page: Page) -> Page:
    """Every third head a range, every third mere contour, whatever the page had."""
    readings = []
    for number, reading in enumerate(page.readings):
        degree = reading.pitch.degree if reading.pitch else None
        if reading.label in HEADS and degree is not None and number % 3:
            choices = ((degree, 0, 0.6), (degree - 1, 0, 0.4))
            pitch = Pitch(certainty="contour", contour="u")
            if number % 3 == 1:
                pitch = Pitch(certainty="ranged", degree=degree, alternatives=choices)
            reading = msgspec.structs.replace(reading, pitch=pitch)
        readings.append(reading)
    return msgspec.structs.replace(page, readings=tuple(readings))


PAGES = {
    **{name: SAMPLES[name] for name in ("ranged", "contour", "layered")},
    **{f"{name}, mixed": mixture(SAMPLES[name]) for name in ("exact", "letters", "syllables", "flats")},
}


@pytest.fixture(params=list(PAGES))
def page(request: pytest.FixtureRequest) -> Page:
    return PAGES[request.param]


def heads(page: Page, certainty: str, layer: str = "melody") -> dict[str, Reading]:
    current = page.current()
    return {
        glyph.id: current[glyph.id]
        for glyph in page.glyphs
        if glyph.layer == layer
        and current[glyph.id].label in HEADS
        and current[glyph.id].pitch is not None
        and current[glyph.id].pitch.certainty == certainty
    }


def test_the_pages_hold_what_is_tested() -> None:
    for certainty in ("ranged", "contour", "exact"):
        assert any(heads(page, certainty) for page in PAGES.values())


def test_mei_marks_each_range_and_leaves_contour_without_pitch(page: Page) -> None:
    root = etree.fromstring(to_mei(page))
    notes = {nc.get(ID): nc for nc in root.iter(f"{MEI}nc")}
    doubted = {
        target.removeprefix("#")
        for annot in root.iter(f"{MEI}annot")
        if "range" in (annot.text or "")
        for target in annot.get("plist").split()
    }
    for name in heads(page, "ranged"):
        assert name in doubted and notes[name].get("pname")
    for name in heads(page, "contour"):
        assert notes[name].get("pname") is None and notes[name].get("oct") is None
    assert doubted.isdisjoint(heads(page, "exact"))


def test_mei_read_back_keeps_the_certainty(page: Page, tmp_path: Path) -> None:
    (tmp_path / "page.mei").write_bytes(to_mei(page))
    back = load_mei(tmp_path / "page.mei").current()
    for certainty in ("ranged", "contour", "exact"):
        for name, reading in heads(page, certainty).items():
            pitch = back[name].pitch
            assert pitch is not None and pitch.certainty == certainty
            if certainty == "ranged":
                assert pitch.alternatives == reading.pitch.alternatives


def test_musicxml_has_pitch_for_exact_notes_only(page: Page) -> None:
    file = io.BytesIO()
    write_musicxml("book", [page], file)
    root = etree.fromstring(file.getvalue())
    assert len(root.findall(".//note/pitch")) == len(heads(page, "exact"))
    assert len(root.findall(".//note/unpitched")) == len(heads(page, "ranged") | heads(page, "contour"))


def test_letters_are_sung_for_exact_notes_only(page: Page) -> None:
    sung = "9abcdefghjklmnopqrs()ABCDEFGHJKLMNOPQRS"  # the letters of notes in the code's own table
    melodies = [text.melody for text in staff_texts(page)]
    found = sum(letter in sung for melody in melodies for letter in melody)
    assert found == len(heads(page, "exact"))
    assert sum(text.hidden for text in staff_texts(page)) == len(
        heads(page, "ranged") | heads(page, "contour")
    )


def test_tables_name_exact_notes_only(page: Page) -> None:
    def rows(table: str) -> Iterator[dict[str, str]]:
        return csv.DictReader(io.StringIO(csv_bytes(table, tables(page)[table]).decode("utf-8")))

    current = page.current()
    assert set(COLUMNS["notes"]) >= {"sign", "pname", "octave", "certainty"}
    for row in rows("notes"):
        pitch = current[row["sign"]].pitch
        assert bool(row["pname"]) == bool(row["octave"]) == (pitch is not None and pitch.certainty == "exact")
        assert row["certainty"] == (pitch.certainty if pitch else "contour")
    doubted = sum(row["notes"].count("?") for row in rows("neumes") if row["layer"] == "melody")
    assert doubted == len(heads(page, "ranged") | heads(page, "contour"))


def test_annotations_doubt_each_note_that_is_not_exact(page: Page) -> None:
    doubts = sum(
        "questioning" in json.dumps(item)
        for item in json.loads(to_annotations(page, "https://example.org/canvas/1"))["items"]
    )
    assert doubts >= len(heads(page, "ranged") | heads(page, "contour"))


def test_melodies_for_people_carry_a_question_mark(page: Page) -> None:
    words = [note for staff in page.staves for note in re.split(r"[ -]", melody_text(page, staff.id)) if note]
    assert sum("?" in note for note in words) == len(heads(page, "ranged") | heads(page, "contour"))
    assert sum("?" not in note for note in words) == len(heads(page, "exact"))
