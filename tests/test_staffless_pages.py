"""Staffless signs through the whole page: rows, layers, outputs, and never a pitch.

Where the network is not what is tested, the renderer's truth stands in for what it sees.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
import pytest
from lxml import etree

from neumary import staffless_pages
from neumary.export_annotations import to_annotations
from neumary.export_mei import write_book
from neumary.export_musicxml import write_musicxml
from neumary.export_tables import COLUMNS, csv_bytes, tables
from neumary.export_text import to_volpiano
from neumary.ink import flatten
from neumary.leaf_map import LeafMap
from neumary.mei import to_mei
from neumary.mei_read import load_mei
from neumary.melody_text import melody_text
from neumary.overlay import draw_overlay
from neumary.pagexml import to_pagexml
from neumary.pipeline import judge, read_page
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.staffless import FreeCandidate, merge_signs, scaled
from neumary.staffless_look import FreeLook, look_for_signs
from neumary.store import decode_page, encode_page
from neumary.types import Box, Glyph, Page, Pitch, Reading, Scan
from neumary_models.leaf_outputs import REGIONS
from neumary_models.staffless_outputs import (
    CHANNELS_OUT,
    CONTOURS,
    EXTENT,
    EXTENT_UNIT,
    HEAT,
    NAME,
    SIGN_PX,
    STAFFLESS_NAMES,
)
from neumary_models.zoo import LoadedModel, load
from neumary_synth.ageing import Ageing
from neumary_synth.render import Rendered, render_page
from neumary_synth.staffless_truth import FreeSign

MEI = "{http://www.music-encoding.org/ns/mei}"
READER = LoadedModel("signs", "0" * 64, {}, None, {"staffless": LoadedModel("staffless", "1" * 64, {}, None)})


def look_of(rendered: Rendered) -> FreeLook:
    """What a network without fault would see."""
    text = cv2.resize(rendered.masks["text"], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) > 96
    size = float(np.median([sign.size_px for sign in rendered.signs]))
    ink = (255 - flatten(rendered.rgb, size)).max(axis=2) > 70
    return FreeLook([candidate(sign) for sign in rendered.signs], ink, text, 1.0, size, 1)


def candidate(sign: FreeSign, p: float = 0.97) -> FreeCandidate:
    names = np.full(len(STAFFLESS_NAMES), 0.05 / (len(STAFFLESS_NAMES) - 1), np.float32)
    names[STAFFLESS_NAMES.index(sign.name)] = 0.95
    top, left, bottom, right = sign.box
    liquescent = 0.9 if sign.liquescent else 0.1
    return FreeCandidate(
        (top + bottom) / 2, (left + right) / 2, sign.box, p, names, 0.9 if sign.episema else 0.1, liquescent
    )


def bare(rendered: Rendered) -> tuple[Page, Scan]:
    """The page as it is before staffless signs are read, and its scan."""
    truth, height, width = rendered.page, *rendered.rgb.shape[:2]
    kept = {g.id for g in truth.glyphs if g.layer == "melody" and truth.staves[0].lines}
    lined = tuple(staff for staff in truth.staves if staff.lines)
    page = msgspec.structs.replace(
        truth,
        staves=lined,
        glyphs=tuple(g for g in truth.glyphs if g.id in kept),
        readings=tuple(r for r in truth.readings if r.glyph in kept),
        neumes=(),
        syllables=truth.syllables if lined else (),
        height=height,
        width=width,
    )
    return page, Scan(truth.page_id, rendered.rgb, truth.source, "")


def read(rendered: Rendered, look: FreeLook, **settings: Any) -> Page:
    """Read a page with a given look at its signs."""
    page, scan = bare(rendered)
    given = ReadSettings(**settings)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staffless_pages, "look_for_signs", lambda *_: look)
        seen = leaf_map(1.0)
        return judge(staffless_pages.add_free_signs(page, scan, seen, READER, given), given)


def leaf_map(free: float) -> LeafMap:
    """Maps of a page that is nothing but free signs, or has none."""
    empty = np.zeros((4, 4), np.float32)
    region = np.zeros((4, 4, 4), np.float32)
    region[2] = free
    return LeafMap(np.zeros((3, 4, 4), np.float32), empty, empty, empty, empty, region, (1.0, 1.0))


@pytest.fixture(scope="module")
def staffless() -> Rendered:
    return render_page(15, "staffless", ageing=Ageing(), space_px=22)


@pytest.fixture(scope="module")
def layered() -> Rendered:
    return render_page(912, "layered", ageing=Ageing(), space_px=20)


@pytest.fixture(scope="module")
def rows(staffless: Rendered) -> Page:
    return read(staffless, look_of(staffless))


@pytest.fixture(scope="module")
def layers(layered: Rendered) -> Page:
    return read(layered, look_of(layered))


def neumes_and_letters(rendered: Rendered) -> tuple[list[FreeSign], list[FreeSign]]:
    letters = [sign for sign in rendered.signs if sign.name == "letter"]
    return [sign for sign in rendered.signs if sign.name != "letter"], letters


# --- rows -------------------------------------------------------------------------------


def test_rows_of_signs_become_staves_without_lines(staffless: Rendered, rows: Page) -> None:
    signs, letters = neumes_and_letters(staffless)
    assert letters and signs  # the page holds what is tested
    assert {staff.kind for staff in rows.staves} == {"staffless"}
    assert not any(staff.lines for staff in rows.staves)
    assert len(rows.neumes) == len(signs)
    assert sum(mark.kind == "letter" for mark in rows.marks) == len(letters)
    episemata = [mark for mark in rows.marks if mark.kind == "episema"]
    assert len(episemata) == sum(sign.episema for sign in signs)


def test_each_sign_is_one_neume_with_its_name_and_a_glyph_for_each_note(
    staffless: Rendered, rows: Page
) -> None:
    glyphs, current = {g.id: g for g in rows.glyphs}, rows.current()
    for sign in neumes_and_letters(staffless)[0]:
        top, left, bottom, right = sign.box

        def outside(neume: Any, edges: tuple[float, ...] = sign.box) -> float:
            boxes = [glyphs[name].box for name in neume.glyphs]
            around = min(b.top for b in boxes), min(b.left for b in boxes)
            return abs(around[0] - edges[0]) + abs(around[1] - edges[1])

        neume = min(rows.neumes, key=outside)
        assert outside(neume) <= 8
        assert neume.name.removesuffix(" liquescens").replace("bistropha", "distropha") in {
            sign.name,
            {"stropha": "apostropha"}.get(sign.name, sign.name),
        }
        assert neume.contour == CONTOURS.get(sign.name, "").upper()
        assert len(neume.glyphs) == len(neume.contour) + 1
        for name in neume.glyphs:
            assert top - 2 <= glyphs[name].row <= bottom + 2 and left - 2 <= glyphs[name].col <= right + 2
        moves = [current[name].pitch.contour for name in neume.glyphs]  # type: ignore[union-attr]
        assert moves[0] == "" and "".join(moves).upper() == neume.contour


def test_notes_stand_on_ink(staffless: Rendered, rows: Page) -> None:
    """The point of a note is a pixel of ink, or next to one."""
    music = cv2.dilate(staffless.masks["music"], np.ones((5, 5), np.uint8)) > 64
    on = [music[round(glyph.row), round(glyph.col)] for glyph in rows.glyphs]
    assert np.mean(on) > 0.95


def test_doubt_is_the_probability_of_sign_and_name(rows: Page) -> None:
    for neume in rows.neumes:
        assert neume.confidence == pytest.approx(0.97 * 0.95, abs=1e-3)
    assert all(r.confidence == pytest.approx(0.97 * 0.95, abs=1e-3) for r in rows.readings)


def test_a_page_without_lines_says_so(rows: Page) -> None:
    (said,) = [remark for remark in rows.warnings if remark.code == "no-pitch"]
    assert said.staff == said.glyph == ""
    assert "no pitch" in said.text and "no lines" in said.text.replace("on no lines", "no lines")


def test_words_under_rows_are_syllables_of_their_neumes(rows: Page) -> None:
    assert rows.syllables
    named = [neume for neume in rows.neumes if neume.syllable]
    assert len(named) > 0.9 * len(rows.neumes)
    owner = {syllable.id: syllable.staff for syllable in rows.syllables}
    assert all(owner[neume.syllable] == neume.staff for neume in named)


def test_chant_names_are_withheld_from_other_repertoires(staffless: Rendered) -> None:
    page = read(staffless, look_of(staffless), repertoire="song")
    assert {neume.name for neume in page.neumes} == {""}
    assert any(neume.contour for neume in page.neumes)


@pytest.mark.parametrize(
    ("free", "notation", "found"), [(0.0, "auto", False), (0.0, "layered", True), (1.0, "auto", True)]
)
def test_round_staves_signs_are_looked_for_where_it_is_worth_while(
    layered: Rendered, free: float, notation: str, found: bool
) -> None:
    page, scan = bare(layered)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staffless_pages, "look_for_signs", lambda *_: look_of(layered))
        settings = ReadSettings(notation=notation)  # type: ignore[arg-type]
        read = staffless_pages.add_free_signs(page, scan, leaf_map(free), READER, settings)
    assert bool(free_ids(read)) == found


@pytest.mark.parametrize(("music", "free", "worth"), [(150, 10, True), (600, 10, False), (20, 4, False)])
def test_few_free_signs_beside_few_notes_are_worth_a_look(
    layered: Rendered, music: int, free: int, worth: bool
) -> None:
    """A page of many words: what looks like free signs is weighed against what looks like notes."""
    empty = np.zeros((100, 100), np.float32)
    region = np.zeros((4, 10_000), np.float32)
    region[REGIONS.index("music"), :music] = 1.0
    region[REGIONS.index("free-sign"), music : music + free] = 1.0
    grid = region.reshape(4, 100, 100)
    seen = LeafMap(np.zeros((3, 100, 100), np.float32), empty, empty, empty, empty, grid, (1.0, 1.0))
    assert staffless_pages._worth_while(bare(layered)[0], seen) == worth


def test_without_lines_wanted_the_page_is_read_for_signs(staffless: Rendered) -> None:
    page = read(staffless, look_of(staffless), lines="0")
    assert {staff.kind for staff in page.staves} == {"staffless"}


def test_empty_staves_give_way_to_rows_of_sure_signs(staffless: Rendered, layered: Rendered) -> None:
    """Ruling of a book without staves may look like a staff, but nothing is notated on it."""
    page, scan = bare(staffless)
    drawn = layered.page.staves[0]
    ruled = msgspec.structs.replace(page, staves=(drawn,))
    look = look_of(staffless)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staffless_pages, "look_for_signs", lambda *_: look)
        read = staffless_pages.add_free_signs(ruled, scan, leaf_map(1.0), READER, ReadSettings())
        assert {staff.kind for staff in read.staves} == {"staffless"}
        del look.signs[5:]
        kept = staffless_pages.add_free_signs(ruled, scan, leaf_map(1.0), READER, ReadSettings())
    assert kept.staves == (drawn,)


# --- no pitch, in no output -------------------------------------------------------------


def pages(rows: Page, layers: Page) -> list[Page]:
    return [rows, layers]


def free_ids(page: Page) -> set[str]:
    lineless = {staff.id for staff in page.staves if not staff.lines}
    return {glyph.id for glyph in page.glyphs if glyph.layer != "melody" or glyph.staff in lineless}


def test_page_json_holds_no_degree(rows: Page, layers: Page) -> None:
    for page in (rows, layers):
        stored = json.loads(encode_page(page))
        free = free_ids(page)
        assert free
        for reading in stored["readings"]:
            if reading["glyph"] in free:
                assert reading["step"] is None and reading["steps"] == []
                assert reading["pitch"]["certainty"] == "contour"
                assert reading["pitch"]["degree"] is None and reading["pitch"]["alternatives"] == []
        assert len(decode_page(encode_page(page)).marks) == len(page.marks) == len(stored["marks"])


def test_mei_holds_no_pitch_and_is_valid(rows: Page, layers: Page, standards: Path) -> None:
    """MEI 5.1, mei-Neumes-5.1.rng; @pname, @oct and their kin name pitches."""
    schema = etree.RelaxNG(etree.parse(standards / "mei" / "mei-Neumes-5.1.rng"))
    for page in (rows, layers):
        root = etree.fromstring(to_mei(page))
        schema.assertValid(root)
        free = free_ids(page)
        for nc in root.iter(f"{MEI}nc"):
            if nc.get("{http://www.w3.org/XML/1998/namespace}id") in free:
                assert not {"pname", "oct", "loc", "pname.ges", "oct.ges", "accid.ges", "deg"} & set(
                    nc.attrib
                )
        book = io.BytesIO()
        write_book("book", lambda page=page: [page, page], book)
        schema.assertValid(etree.fromstring(book.getvalue()))
    alone = etree.fromstring(to_mei(rows))
    assert not alone.xpath("//@pname | //@oct | //@ploc | //@oloc | //@loc | //@clef.shape")
    assert {definition.get("notationsubtype") for definition in alone.iter(f"{MEI}staffDef")} == {"staffless"}


def test_musicxml_holds_no_pitch(rows: Page, layers: Page) -> None:
    """MusicXML 4.0: <pitch> sounds, <display-step> places an unpitched note on a line."""
    for page, some in ((rows, False), (layers, True)):
        file = io.BytesIO()
        write_musicxml("book", [page], file)
        root = etree.fromstring(file.getvalue())
        assert bool(root.findall(".//pitch")) == some
        assert not root.findall(".//display-step")
        melody = [g for g in page.glyphs if g.layer == "melody"]
        assert len(root.findall(".//note")) <= len(melody)


def test_letters_code_and_melody_text_hold_no_note(rows: Page) -> None:
    melodies = [line.split("\t")[2] for line in to_volpiano(rows).splitlines()]
    assert melodies and all(set(melody) <= set("1-67") for melody in melodies)
    for staff in rows.staves:
        notes = [note for note in re.split(r"[ -]", melody_text(rows, staff.id)) if note]
        assert notes and all(re.fullmatch(r"\?[uds]?", note) for note in notes)


def test_tables_hold_no_pitch(rows: Page, layers: Page) -> None:
    for page in (rows, layers):
        found = {
            name: list(csv.DictReader(io.StringIO(csv_bytes(name, tables(page)[name]).decode())))
            for name in COLUMNS
        }
        free = free_ids(page)
        own = [row for row in found["notes"] if row["sign"] in free]
        assert len(own) == len(free)
        for row in own:
            assert not any(row[name] for name in ("pname", "octave", "alter", "alternatives", "step"))
            assert row["certainty"] == "contour"
        neumes = [row for row in found["neumes"] if row["confidence"]]
        assert neumes and all(set(row["notes"]) <= {"?", " "} for row in neumes)
        assert sum(row["marks"].count("letter") for row in neumes) == sum(
            mark.kind == "letter" and bool(mark.neume) for mark in page.marks
        )


def test_annotations_and_page_xml_hold_no_note_name(rows: Page, standards: Path) -> None:
    """PAGE 2019-07-15 has no place for notes; letters are regions of their own."""
    note = re.compile(r"\b[a-g](b|-flat ?)?[0-9]\b")
    items = json.loads(to_annotations(rows, "https://example.org/canvas/1"))["items"]
    bodies = [
        body
        for item in items
        for body in ([item["body"]] if isinstance(item["body"], dict) else item["body"])
    ]
    assert bodies and not [body for body in bodies if note.search(body["value"])]
    letters = [mark for mark in rows.marks if mark.box is not None]
    assert sum("significative letter" in body["value"] for body in bodies) == len(letters)
    data = to_pagexml(rows)
    (schema,) = (standards / "page-xml").glob("*2019-07-15*.xsd")
    root = etree.fromstring(data)
    etree.XMLSchema(etree.parse(schema)).assertValid(root)
    regions = [x for x in root.iter("{*}TextRegion") if "significativeLetter" in x.get("custom", "")]
    assert len(regions) == len(letters)
    assert not root.findall(".//{*}Baseline")


def test_overlay_names_signs_not_notes(
    staffless: Rendered, rows: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    from neumary import overlay_words

    written: list[str] = []
    word = overlay_words._word
    monkeypatch.setattr(overlay_words, "_word", lambda text, *rest: written.append(text) or word(text, *rest))
    drawn = draw_overlay(rows, staffless.rgb)
    assert drawn.shape[1] >= staffless.rgb.shape[1] * 0.3
    assert {neume.name for neume in rows.neumes} <= {text.removesuffix(", episema") for text in written}
    assert not [text for text in written if re.fullmatch(r"[a-g](-flat)?\d?\??", text)]


# --- marks in MEI -----------------------------------------------------------------------


def test_letters_and_episemata_stand_where_the_standard_puts_them(rows: Page) -> None:
    """MEI 5.1: neume may hold signifLet, nc may hold episema (model.neumeModifierLike)."""
    root = etree.fromstring(to_mei(rows))
    ids = "{http://www.w3.org/XML/1998/namespace}id"
    zones = {f"#{zone.get(ids)}" for zone in root.iter(f"{MEI}zone")}
    marks = {mark.id: mark for mark in rows.marks}
    letters = list(root.iter(f"{MEI}signifLet"))
    assert {letter.get(ids) for letter in letters} == {m.id for m in rows.marks if m.kind == "letter"}
    for letter in letters:
        assert letter.get("facs") in zones
        assert letter.get("place") in ("above", "below", "left", "right")
        assert letter.getparent().get(ids) == marks[letter.get(ids)].neume
    for episema in root.iter(f"{MEI}episema"):
        neume = episema.getparent().getparent()
        assert neume.get(ids) == marks[episema.get(ids)].neume


def test_doubtful_signs_are_annotated_with_their_rivals(staffless: Rendered) -> None:
    look = look_of(staffless)
    virga = next(i for i, sign in enumerate(look.signs) if sign.name == "virga")
    names = np.zeros(len(STAFFLESS_NAMES), np.float32)
    names[[STAFFLESS_NAMES.index("virga"), STAFFLESS_NAMES.index("pes")]] = 0.6, 0.4
    look.signs[virga] = replace(look.signs[virga], names=names)
    page = read(staffless, look)
    (doubted,) = [neume for neume in page.neumes if neume.confidence and neume.confidence < 0.8]
    assert doubted.rivals == (("pes", pytest.approx(0.388, abs=1e-3)),)
    told = [
        a for a in etree.fromstring(to_mei(page)).iter(f"{MEI}annot") if a.get("plist") == f"#{doubted.id}"
    ]
    assert [a.text for a in told] == ["virga 0.58 against pes 0.39"]


# --- layers -----------------------------------------------------------------------------


def test_signs_are_in_the_layer_they_were_written_in(layered: Rendered, layers: Page) -> None:
    wide = render_page(915, "layered", ageing=Ageing(), space_px=20)  # no sign stands halfway between staves
    assert layer_counts(read(wide, look_of(wide))) == written_in_layers(wide)
    # elsewhere such a sign may be either staff's (1.7 in 100 of 3,201 on twenty pages)
    found, written = layer_counts(layers), written_in_layers(layered)
    assert found.total() == written.total()
    assert all(abs(found[layer] - count) <= 0.05 * count for layer, count in written.items())


def layer_counts(page: Page) -> Counter[str]:
    glyphs = {g.id: g for g in page.glyphs}
    return Counter(glyphs[neume.glyphs[0]].layer for neume in page.neumes if neume.confidence is not None)


def written_in_layers(rendered: Rendered) -> Counter[str]:
    written = Counter(sign.layer for sign in rendered.signs if sign.name != "letter")
    assert written["upper"] and written["lower"]  # the page holds what is tested
    return written


def test_layers_stay_out_of_the_melody(layered: Rendered, layers: Page) -> None:
    alone = judge(bare(layered)[0], ReadSettings())
    melody = {g.id for g in layers.glyphs if g.layer == "melody"}
    assert melody == {g.id for g in alone.glyphs}
    for staff in layers.staves:
        assert melody_text(layers, staff.id) == melody_text(alone, staff.id)
    assert any(remark.code == "layers-without-pitch" for remark in layers.warnings)


def test_layers_share_the_melody_s_syllables(layers: Page, tmp_path: Path) -> None:
    glyphs = {g.id: g for g in layers.glyphs}
    sung = {n.syllable for n in layers.neumes if glyphs[n.glyphs[0]].layer == "melody"} - {""}
    around = [n for n in layers.neumes if glyphs[n.glyphs[0]].layer != "melody"]
    assert sung and all(neume.syllable in sung for neume in around)
    root = etree.fromstring(to_mei(layers))
    ids = "{http://www.w3.org/XML/1998/namespace}id"
    known = {s.get(ids) for s in root.iter(f"{MEI}syllable")}
    kinds = {layer.get("type") for layer in root.iter(f"{MEI}layer")}
    assert kinds == {"melody", "upper", "lower"}
    for layer in root.iter(f"{MEI}layer"):
        if layer.get("type") != "melody":
            for syllable in layer.iter(f"{MEI}syllable"):
                if syllable.find(f"{MEI}neume") is not None:
                    assert (syllable.get("corresp") or "").removeprefix("#") in known
    (tmp_path / "page.mei").write_bytes(to_mei(layers))
    back = load_mei(tmp_path / "page.mei")
    assert [n.syllable for n in back.neumes if n.syllable] and len(back.neumes) == len(layers.neumes)


def leaking(layered: Rendered, p_note: float, p_sign: float) -> Page:
    """A page on which the first sign above the staff was also read as a note."""
    look = look_of(layered)
    at = next(i for i, s in enumerate(layered.signs) if s.layer == "upper" and s.name == "virga")
    look.signs[at] = replace(look.signs[at], p_sign=p_sign)
    page, scan = bare(layered)
    top, left, bottom, right = (round(edge) for edge in layered.signs[at].box)
    row, col = (top + bottom) / 2, (left + right) / 2
    staff = min(page.staves, key=lambda s: abs(s.row_of(6, col) - row))
    glyph = Glyph(id="g9999", staff=staff.id, row=row, col=col, box=Box(top, left, bottom, right))
    pitch = Pitch(certainty="exact", degree=30)
    reading = Reading(glyph="g9999", label="punctum", confidence=p_note, step=9, pitch=pitch)
    page = msgspec.structs.replace(page, glyphs=(*page.glyphs, glyph), readings=(*page.readings, reading))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(staffless_pages, "look_for_signs", lambda *_: look)
        return staffless_pages.add_free_signs(page, scan, leaf_map(1.0), READER, ReadSettings())


def test_a_sign_far_over_the_staff_is_taken_out_of_the_melody(layered: Rendered) -> None:
    page = leaking(layered, p_note=0.99, p_sign=0.6)
    assert "g9999" not in {glyph.id for glyph in page.glyphs}
    assert any(remark.code == "not-melody" for remark in page.warnings)


def test_a_note_near_the_lines_stays_in_the_melody(layered: Rendered, layers: Page) -> None:
    """Square notes reach about a space beyond the lines, into signs written close to them."""
    page, _ = bare(layered)
    staves = {staff.id: staff for staff in page.staves}
    current = page.current()
    low = [g for g in page.glyphs if current[g.id].pitch and staves[g.staff].step_at(g.row, g.col) < -1.5]
    assert low and {g.id for g in low} <= {g.id for g in layers.glyphs if g.layer == "melody"}


def test_parting_and_joining_loses_nothing(layers: Page, rows: Page) -> None:
    for page in (layers, rows):
        lined, free = staffless_pages.set_aside(page)
        assert not free_ids(lined) and {g.id for g in free.glyphs} == free_ids(page)
        whole = staffless_pages.put_back(lined, free)
        for name in ("staves", "neumes", "marks"):
            assert getattr(whole, name) == getattr(page, name)
        for name in ("glyphs", "readings", "syllables"):
            assert set(getattr(whole, name)) == set(getattr(page, name))
        assert decode_page(encode_page(whole)).page_id == page.page_id


# --- the look itself --------------------------------------------------------------------


class _Painted:
    """A session that sees one clivis at a place of the input, whatever the picture."""

    def __init__(self, row: int, col: int) -> None:
        self.at = row, col
        self.shapes: list[tuple[int, ...]] = []

    def get_inputs(self) -> list[Any]:
        return [type("Input", (), {"name": "picture"})]

    def run(self, _: Any, given: dict[str, Any]) -> list[Any]:
        (picture,) = given.values()
        self.shapes.append(picture.shape)
        scores = np.zeros((1, CHANNELS_OUT, picture.shape[2] // 2, picture.shape[3] // 2), np.float32)
        scores[:, HEAT] = -9
        scores[0, HEAT.start, self.at[0] // 2, self.at[1] // 2] = 5
        scores[0, NAME.start + STAFFLESS_NAMES.index("clivis")] = 5
        scores[0, EXTENT] = np.log(7.0 / EXTENT_UNIT)
        return [scores]


@pytest.mark.parametrize("size_px", [14.0, 28.0, 56.0])
def test_places_come_back_in_px_of_the_page(size_px: float) -> None:
    """A sign at a place of the network's picture lies where that place is on the page."""
    session = _Painted(40, 60)
    model = LoadedModel("staffless", "1" * 64, {}, session)
    look = look_for_signs(np.full((200, 300, 3), 230, np.uint8), model, size_px)
    assert look is not None and look.looks == 1
    assert look.scale == pytest.approx(0.85 * SIGN_PX / size_px)
    assert session.shapes[0][2] % 16 == session.shapes[0][3] % 16 == 0
    (sign,) = look.signs
    box = staffless_pages.page_edges(sign.box, look)
    assert (box[0] + box[2]) / 2 == pytest.approx(40.5 / look.scale, abs=1.5)
    assert (box[1] + box[3]) / 2 == pytest.approx(60.5 / look.scale, abs=1.5)


def test_an_empty_page_is_not_looked_at() -> None:
    model = LoadedModel("staffless", "1" * 64, {}, _Painted(0, 0))
    assert look_for_signs(np.full((300, 200, 3), 220, np.uint8), model) is None


def test_of_two_looks_the_first_one_s_reading_stays() -> None:
    one = candidate(FreeSign("clivis", (10.0, 10.0, 30.0, 30.0), 28.0), p=0.4)
    same = candidate(FreeSign("virga", (5.5, 5.0, 15.5, 15.0), 14.0), p=0.9)
    new = candidate(FreeSign("pes", (40.0, 40.0, 50.0, 50.0), 14.0), p=0.6)
    merged = merge_signs([one], scaled([same, new], 2.0))
    assert [sign.name for sign in merged] == ["clivis", "pes"]
    assert merged[1].box == (80.0, 80.0, 100.0, 100.0) and merged[1].row == 90.0


# --- the shipped network ----------------------------------------------------------------


@pytest.fixture(scope="module")
def shipped() -> LoadedModel:
    model = load(threads=1)
    if staffless_pages.ROLE not in model.companions:
        pytest.skip("no network for staffless signs is shipped")
    return model


def test_the_shipped_network_reads_an_unseen_hand(staffless: Rendered, shipped: LoadedModel) -> None:
    page, scan = bare(staffless)
    page = judge(staffless_pages.add_free_signs(page, scan, None, shipped, ReadSettings()), ReadSettings())
    glyphs = {g.id: g for g in page.glyphs}
    found = [
        (np.mean([glyphs[g].row for g in n.glyphs]), np.mean([glyphs[g].col for g in n.glyphs]))
        for n in page.neumes
    ]
    signs = neumes_and_letters(staffless)[0]
    hits = sum(
        any(s.box[0] <= row <= s.box[2] and s.box[1] <= col <= s.box[3] for row, col in found) for s in signs
    )
    assert hits >= 0.85 * len(signs) and len(page.neumes) <= 1.2 * len(signs)


def test_a_leaf_without_lines(scans: Path, shipped: LoadedModel) -> None:
    """A real leaf with fifty boxed signs; how many are found is in the model's card."""
    (scan,) = read_scans(scans / "staffless_p030.jpg")
    page = read_page(scan, ReadSettings(), shipped)
    assert page.staves and {staff.kind for staff in page.staves} == {"staffless"}
    assert not any(staff.lines for staff in page.staves)
    assert all(r.pitch is not None and r.pitch.certainty == "contour" for r in page.readings)
    assert all(r.pitch is not None and r.pitch.degree is None for r in page.readings)
    with (scans / "staffless_p030.boxes.csv").open(encoding="utf-8") as file:
        boxes = [tuple(float(row[k]) for k in ("y0", "x0", "y1", "x1")) for row in csv.DictReader(file)]
    letters = [m.box for m in page.marks if m.box is not None]
    middles = [(g.row, g.col) for g in page.glyphs]
    middles += [((b.top + b.bottom) / 2, (b.left + b.right) / 2) for b in letters]
    hits = sum(any(t <= row <= b and le <= col <= r for row, col in middles) for t, le, b, r in boxes)
    assert hits >= 0.7 * len(boxes)
    assert any(remark.code == "no-pitch" for remark in page.warnings)


@pytest.mark.parametrize(
    ("letter_p", "kept"), [(0.5, False), (0.95, True)], ids=["doubtful letter", "sure letter"]
)
def test_a_sure_letter_speaks_for_a_lone_doubtful_sign(letter_p: float, kept: bool) -> None:
    virga = candidate(FreeSign("virga", (10, 10, 38, 20), 28.0, "melody", 0, 1), 0.55)
    letter = candidate(FreeSign("letter", (15, 24, 27, 34), 28.0, "melody", 0, 0), letter_p)
    assert staffless_pages._believed([virga, letter]) == kept
    assert not staffless_pages._believed([letter])
