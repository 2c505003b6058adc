"""Other people's programs read the exports: the same pitches and words, nothing invented, no doubt lost."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import music21
import pytest
import verovio
from artificial_pages import SAMPLES
from lxml import etree
from music21 import volpiano

from neumary.cli import run
from neumary.doubt import NoteCounts, count_notes
from neumary.errors import ExitCode, StoreError, UsageError
from neumary.export import PLACES, export_folder, natural_key
from neumary.export_annotations import canvas_id, to_annotations
from neumary.export_mei import write_book
from neumary.export_musicxml import write_musicxml
from neumary.export_tables import COLUMNS, csv_bytes, tables
from neumary.export_text import staff_texts, to_volpiano
from neumary.mei import NAMESPACE
from neumary.order import melody_events
from neumary.store import encode_page, save_page
from neumary.types import PNAMES, Page, Pitch, Remark
from neumary_models.labels import HEADS

MEI = f"{{{NAMESPACE}}}"
ID = "{http://www.w3.org/XML/1998/namespace}id"
NAMES = list(SAMPLES)


def notes(page: Page) -> list[Pitch]:
    """Pitches of the melody as sung; those that are not exact as None."""
    readings = [r for _, events in melody_events(page) for e in events if e.is_neume for _, r in e.signs]
    return [reading.pitch for reading in readings]  # type: ignore[misc]


def exact(page: Page) -> list[tuple[str, int, int]]:
    return [(p.pname, p.octave, p.alter) for p in notes(page) if p and p.certainty == "exact"]


def as_music21(note: Any, octaves: int = 0) -> tuple[str, int, int]:
    """Name, octave and alteration of a note of music21."""
    return note.pitch.step.lower(), note.pitch.octave + octaves, int(note.pitch.alter)


def musicxml(*pages: Page) -> bytes:
    file = io.BytesIO()
    write_musicxml("book", pages, file)
    return file.getvalue()


def book(*pages: Page) -> bytes:
    file = io.BytesIO()
    write_book("book", lambda: pages, file)
    return file.getvalue()


# --- letters ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_music21_reads_the_letters_one_octave_higher(name: str) -> None:
    """Letter to pitch by music21.volpiano (BSD), an octave above the gamut."""
    page = SAMPLES[name]
    back = [
        as_music21(note, -1)
        for text in staff_texts(page)
        for note in volpiano.toPart(text.melody).flatten().notes
    ]
    hidden = sum(text.hidden for text in staff_texts(page))
    assert back == exact(page)
    assert hidden == len(notes(page)) - len(back)


@pytest.mark.parametrize(
    ("name", "number", "melody"),
    [
        # letters by hand from the code's own table (g is G4 on the treble staff): f3 is f, c4 is k
        ("exact", 0, "1---fg-kjh-jgh---3---effE---7"),
        ("exact", 1, "1---de-a---3---hgf---77"),
        ("flats", 0, "1---hij-fg---77"),
        ("contour", 0, "1---6------6---7"),
        ("ruled", 0, "1---7"),
        # Sal- (two neumes) [-ve, not sung] Re-, which goes on over the staff's end
        ("syllables", 0, "1---fg-h---3---j-7"),
        ("syllables", 1, "1---h--fg--77"),
    ],
)
def test_letters_and_their_spacing(name: str, number: int, melody: str) -> None:
    assert staff_texts(SAMPLES[name])[number].melody == melody


def test_words_stand_three_hyphens_apart_and_syllables_two() -> None:
    page = SAMPLES["syllables"]
    single = [msgspec.structs.replace(syllable, wordpos="s") for syllable in page.syllables]
    apart = msgspec.structs.replace(page, syllables=tuple(single))
    assert staff_texts(apart)[1].melody == "1---h---fg---77"


def test_lines_name_page_and_staff() -> None:
    first = to_volpiano(SAMPLES["syllables"]).splitlines()[0].split("\t")
    assert first == ["syllables", "s01", "1---fg-h---3---j-7", "Sal-ve Re-"]


def test_flats_are_repeated_for_every_way_of_reading_them() -> None:
    """B in three octaves; music21 keeps one flat for all, the treble staff one for each."""
    page = SAMPLES["exact"]
    wanted = [(27, -1), (34, -1), (27, 0), (34, -1), (20, 0), (27, -1)]
    current = [r for r in page.readings if r.label in HEADS][: len(wanted)]
    changed = {
        reading.glyph: msgspec.structs.replace(
            reading, pitch=Pitch(certainty="exact", degree=degree, alter=alter)
        )
        for reading, (degree, alter) in zip(current, wanted, strict=True)
    }
    page = msgspec.structs.replace(page, readings=tuple(changed.get(r.glyph, r) for r in page.readings))
    melody = staff_texts(page)[0].melody
    part = volpiano.toPart(melody).flatten().notes
    assert [as_music21(note, -1) for note in part][: len(wanted)] == [
        (PNAMES[degree % 7], degree // 7, alter) for degree, alter in wanted
    ]
    flat: set[str] = set()
    octave_of = {"y": "b", "i": "j", "z": "q"}
    read = []
    for char in melody[4:]:
        if char.lower() in octave_of:
            (flat.discard if char.isupper() else flat.add)(octave_of[char.lower()])
        elif char in "bjq":
            read.append(-1 if char in flat else 0)
    assert read[: len(wanted)] == [alter for _, alter in wanted]


def test_pitches_beyond_the_letters_are_missing_music_and_counted() -> None:
    page = SAMPLES["exact"]
    low = msgspec.structs.replace(page.readings[1], pitch=Pitch(certainty="exact", degree=15))
    page = msgspec.structs.replace(page, readings=(page.readings[0], low, *page.readings[2:]))
    text = staff_texts(page)[0]
    assert text.melody.startswith("1---6------6-g-kjh-")
    assert text.hidden == 1


# --- MusicXML ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_music21_reads_the_score(name: str) -> None:
    page = SAMPLES[name]
    score = music21.converter.parse(musicxml(page).decode(), format="musicxml")
    found = list(score.recurse().notes)
    assert [as_music21(note) for note in found if isinstance(note, music21.note.Note)] == exact(page)
    unpitched = [note for note in found if isinstance(note, music21.note.Unpitched)]
    assert len(unpitched) == len(notes(page)) - len(exact(page))
    assert {note.stemDirection for note in found} <= {"noStem"}
    assert {note.quarterLength for note in found} <= {1.0}
    neumes = [e for _, events in melody_events(page) for e in events if e.is_neume and len(e.signs) > 1]
    assert len(list(score.recurse().getElementsByClass("Slur"))) == len(neumes)


def test_no_rhythm_is_written() -> None:
    root = etree.fromstring(musicxml(*SAMPLES.values()))
    assert root.get("version") == "4.0"
    assert not list(root.iter("type", "beats", "beat-type", "beam", "dot"))
    assert {element.text for element in root.iter("duration")} == {"1"}
    assert len(list(root.iter("senza-misura"))) == 1
    assert {element.get("print-object") for element in root.iter("time")} == {"no"}


def test_clefs_are_told_in_words_and_divisions_end_measures() -> None:
    root = etree.fromstring(musicxml(SAMPLES["exact"]))
    assert [words.text for words in root.iter("words")] == ["C clef on line 4", "F clef on line 3"]
    measures = list(root.iter("measure"))
    assert [len(list(measure.iter("note"))) for measure in measures] == [8, 4, 3, 3]
    # strokes over 94 % and 70 % of the staff's height: divisio maxima and maior (SMuFL 1.4)
    assert [bar.text for bar in root.iter("bar-style")] == ["regular", "none", "short", "none"]
    assert [list(element.attrib) for element in root.iter("print")] == [["new-system"], ["new-system"]]


def test_flats_are_written_as_accidentals() -> None:
    root = etree.fromstring(musicxml(SAMPLES["flats"]))
    flat = [note for note in root.iter("note") if note.find("accidental") is not None]
    assert [(note.findtext("pitch/step"), note.findtext("pitch/alter")) for note in flat] == [("B", "-1")]


def test_lyrics_with_hyphens_and_melismas() -> None:
    page = SAMPLES["syllables"]
    score = music21.converter.parse(musicxml(page).decode(), format="musicxml")
    lyrics = [note.lyrics[0] if note.lyrics else None for note in score.recurse().notes]
    said = [(lyric.text, lyric.syllabic) if lyric else None for lyric in lyrics]
    assert said == [("Sal", "begin"), None, None, ("Re", "begin"), None, ("gi", "middle"), None]
    ends = tuple(msgspec.structs.replace(s, wordpos="t") for s in page.syllables)
    root = etree.fromstring(musicxml(msgspec.structs.replace(page, syllables=ends)))
    extended = [lyric.findtext("text") for lyric in root.iter("lyric") if lyric.find("extend") is not None]
    assert extended == ["Sal", "gi"]


def test_ranges_are_shown_where_they_most_probably_lie_but_are_no_pitches() -> None:
    root = etree.fromstring(musicxml(SAMPLES["ranged"]))
    assert not list(root.iter("pitch"))
    first = next(root.iter("unpitched"))
    assert (first.findtext("display-step"), first.findtext("display-octave")) == ("A", "3")  # f3 + 2 steps
    assert {head.text for head in root.iter("notehead")} == {"x"}


def test_a_second_program_reads_the_score() -> None:
    toolkit = verovio.toolkit()
    assert toolkit.loadData(musicxml(SAMPLES["exact"], SAMPLES["syllables"]).decode())
    back = etree.fromstring(toolkit.getMEI().encode())
    ours = [(p.pname, str(p.octave)) for name in ("exact", "syllables") for p in notes(SAMPLES[name])]
    assert [(note.get("pname"), note.get("oct")) for note in back.iter(MEI + "note")] == ours


# --- the book in MEI --------------------------------------------------------------------


def test_the_book_is_valid_and_whole(standards: Path) -> None:
    schema = etree.RelaxNG(etree.parse(standards / "mei" / "mei-Neumes-5.1.rng"))
    pages = list(SAMPLES.values())
    root = etree.fromstring(book(*pages))
    assert schema.validate(root), str(schema.error_log)[:800]
    surfaces, breaks = list(root.iter(MEI + "surface")), list(root.iter(MEI + "pb"))
    assert len(surfaces) == len(breaks) == len(pages)
    assert [pb.get("facs") for pb in breaks] == [f"#{surface.get(ID)}" for surface in surfaces]
    ids = Counter(element.get(ID) for element in root.iter() if element.get(ID))
    assert set(ids.values()) == {1}
    targets = [
        t
        for e in root.iter()
        for name in ("facs", "plist", "follows", "resp")
        for t in (e.get(name) or "").split()
    ]
    assert {target.removeprefix("#") for target in targets} <= set(ids)
    assert sum(count_notes(page).exact for page in pages) <= len(list(root.iter(MEI + "nc")))


def test_verovio_renders_the_book() -> None:
    pages = [SAMPLES[name] for name in ("exact", "flats", "mixed", "syllables")]
    toolkit = verovio.toolkit()
    toolkit.setOptions({"pageHeight": 60000, "pageWidth": 60000, "header": "none", "footer": "none"})
    assert toolkit.loadData(book(*pages).decode())
    back = etree.fromstring(toolkit.getMEI().encode())
    pitches = [(p.pname, str(p.octave)) for page in pages for p in notes(page)]
    assert [(nc.get("pname"), nc.get("oct")) for nc in back.iter(MEI + "nc")] == pitches
    drawn = sum(
        len(re.findall(r'class="nc"', toolkit.renderToSVG(number + 1)))
        for number in range(toolkit.getPageCount())
    )
    assert drawn == len(pitches)


# --- tables -----------------------------------------------------------------------------


def test_tables_hold_every_note_and_never_a_doubtful_pitch_as_exact() -> None:
    for page in SAMPLES.values():
        rows = tables(page)["notes"]
        melody = [row for row in rows if row["layer"] == "melody"]
        assert [(r["pname"], r["octave"], r["alter"]) for r in melody if r["certainty"] == "exact"] == exact(
            page
        )
        assert all(r["pname"] == r["octave"] == r["alter"] == "" for r in rows if r["certainty"] != "exact")
        assert len(rows) == sum(r.label in HEADS for r in page.current().values())


def test_csv_reads_back_with_the_documented_columns() -> None:
    for table, columns in COLUMNS.items():
        rows = [row for page in SAMPLES.values() for row in tables(page)[table]]
        data = csv_bytes(table, rows)
        assert data.count(b"\r\n") == len(rows) + 1  # RFC 4180
        back = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
        assert [list(row) for row in back] == [list(columns)] * len(rows)
        assert [list(row.values()) for row in back] == [[str(row[name]) for name in columns] for row in rows]


def test_ranges_stand_with_their_probabilities() -> None:
    first = tables(SAMPLES["ranged"])["notes"][0]
    assert first["alternatives"] == "a3:0.6 b3:0.3 g3:0.1"


# --- annotations ------------------------------------------------------------------------

ANNOTATION = {  # W3C Web Annotation Data Model, sections 3.1 (required keys), 3.2.4 and 3.3.5
    "type": "object",
    "required": ["id", "type", "target", "body", "motivation"],
    "properties": {
        "type": {"const": "Annotation"},
        "id": {"type": "string", "format": "iri"},
        "motivation": {"enum": ["supplementing", "identifying", "questioning"]},  # the first is IIIF's
        "target": {
            "type": "string",
            "pattern": "^https://example.org/c/1#xywh=[0-9]+,[0-9]+,[1-9][0-9]*,[1-9][0-9]*$",
        },
        "body": {"$ref": "#/$defs/bodies"},
    },
    "$defs": {
        "body": {
            "type": "object",
            "required": ["type", "value", "format"],
            "properties": {"type": {"const": "TextualBody"}, "purpose": {"const": "tagging"}},
        },
        "bodies": {"anyOf": [{"$ref": "#/$defs/body"}, {"type": "array", "items": {"$ref": "#/$defs/body"}}]},
    },
}


@pytest.mark.parametrize("name", NAMES)
def test_annotations_keep_to_the_model(name: str) -> None:
    page = SAMPLES[name]
    found = json.loads(to_annotations(page, "https://example.org/c/1"))
    assert found["type"] == "AnnotationPage"
    assert found["@context"][0] == "http://www.w3.org/ns/anno.jsonld"
    for item in found["items"]:
        jsonschema.validate(item, ANNOTATION)
    ids = [item["id"] for item in found["items"]]
    assert len(ids) == len(set(ids))
    doubts = [item for item in found["items"] if item["motivation"] == "questioning"]
    heads = [p for p in notes(page) if p.certainty != "exact"]
    assert len(doubts) >= len(heads)


def test_canvas_names() -> None:
    page = SAMPLES["odd names"]
    assert (
        canvas_id("urn:neumary:canvas:{source}", page, 3)
        == "urn:neumary:canvas:leaf%2012%20%26%20%3Cverso%3E.jpg"
    )
    assert canvas_id("https://example.org/{number:04d}/canvas", page, 3) == "https://example.org/0003/canvas"
    for wrong in ("{leaf}", "{", "{0}", "{page.x}"):
        with pytest.raises(UsageError):
            canvas_id(wrong, page, 1)


# --- the command ------------------------------------------------------------------------


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """A result folder of three pages whose alphabetical order is not their order."""
    out = tmp_path / "out"
    for name, page_id in (("exact", "f10r"), ("ranged", "f2r"), ("layered", "f2v")):
        save_page(msgspec.structs.replace(SAMPLES[name], page_id=page_id), out / page_id / "page.json")
    return out


def test_pages_come_in_the_order_of_the_book(results: Path) -> None:
    done = export_folder(results, "volpiano")
    lines = done.files[0].read_text(encoding="utf-8").splitlines()
    assert list(dict.fromkeys(line.split("\t")[0] for line in lines)) == ["f2r", "f2v", "f10r"]
    assert sorted(["f10", "f9v", "F2", "a"], key=natural_key) == ["a", "F2", "f9v", "f10"]


@pytest.mark.parametrize("to", PLACES)
def test_every_format_through_the_command(
    to: str, results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["export", str(results), "--to", to]) == ExitCode.OK
    said = capsys.readouterr()
    # ranged: 7 heads; layered: 5 heads on the staff, 2 above it; exact: 18 heads
    assert "3 pages, 31 notes, 23 of them with an exact pitch." in said.out or to == ""
    assert said.err == ""
    assert run(["export", str(results), "--to", to, "-o", str(tmp_path / "each"), "--json"]) == ExitCode.OK
    report = json.loads(capsys.readouterr().out)
    assert len(report["files"]) == (4 if to == "csv" else 3)
    before = {name: Path(name).read_bytes() for name in report["files"]}
    assert run(["export", str(results), "--to", to, "-o", str(tmp_path / "each"), "-q"]) == ExitCode.OK
    assert {name: Path(name).read_bytes() for name in report["files"]} == before


def test_doubt_is_counted_in_words(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["export", str(results), "--to", "musicxml"]) == ExitCode.OK
    said = capsys.readouterr().out
    counts = NoteCounts()
    for folder in results.iterdir():
        if folder.is_dir():
            counts += count_notes(SAMPLES[{"f10r": "exact", "f2r": "ranged", "f2v": "layered"}[folder.name]])
    assert f"{counts.ranged} ranged and {counts.unread} unread pitches: written as unpitched" in said
    assert f"{counts.other_layers} signs above and below the staves: left out." in said


def test_a_damaged_page_costs_only_itself(results: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (results / "f2v" / "page.json").write_bytes(b"{")
    assert run(["export", str(results), "--to", "csv"]) == ExitCode.SOME_FAILED
    said = capsys.readouterr()
    assert "2 pages" in said.out
    assert "f2v" in said.err


def test_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(StoreError, match="no page"):
        export_folder(tmp_path, "mei")
    assert run(["export", str(tmp_path)]) == ExitCode.USAGE
    assert run(["export", "--to", "mei"]) == ExitCode.USAGE
    assert run(["export", str(tmp_path), "--to", "abc"]) == ExitCode.USAGE
    capsys.readouterr()


def test_the_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["export", "--schema"]) == ExitCode.OK
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(encode_page(SAMPLES["syllables"])), schema)


def test_remarks_and_hands_of_the_book_are_told_once_a_page() -> None:
    page = msgspec.structs.replace(SAMPLES["exact"], warnings=(Remark(code="repaired", text="Cut short."),))
    root = etree.fromstring(book(page, page))
    told = [annot.text for annot in root.findall(f".//{MEI}notesStmt/{MEI}annot")]
    assert told == ["exact: repaired: Cut short."] * 2
    assert len(list(root.iter(MEI + "application"))) == 1
    assert len(list(root.iter(MEI + "source"))) == 2
