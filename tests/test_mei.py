"""MEI: valid by the published schema, read alike by an engraver, nothing lost, every doubt told."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
import verovio
from artificial_pages import SAMPLES, Builder, staff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree

from neumary.gamut import base_degree
from neumary.mei import NAMESPACE, to_mei
from neumary.mei_signs import clef_attributes, division_attributes
from neumary.melody_text import melody_text
from neumary.truth import load_truth
from neumary.types import Box, Page, Pitch, Reading, Remark
from neumary_models.labels import BY_NAME, HEADS, NAMES

MEI = f"{{{NAMESPACE}}}"
ID = "{http://www.w3.org/XML/1998/namespace}id"
PLACED = ("nc", "clef", "custos", "accid", "divLine")

Element = Any


@pytest.fixture(scope="module")
def neumes_schema(standards: Path) -> etree.RelaxNG:
    return etree.RelaxNG(etree.parse(standards / "mei" / "mei-Neumes-5.1.rng"))


def tree(page: Page) -> Element:
    return etree.fromstring(to_mei(page))


def found(root: Element, *names: str) -> list[Element]:
    return list(root.iter(*(MEI + name for name in names)))


def heads(page: Page) -> list[Reading]:
    return [reading for reading in page.current().values() if reading.label in HEADS]


def assert_valid(schema: etree.RelaxNG, root: Element) -> None:
    assert schema.validate(root), str(schema.error_log)[:800]


def engraved(page: Page) -> tuple[str, Element]:
    """SVG and MEI as Verovio gives them back."""
    toolkit = verovio.toolkit()
    toolkit.setOptions({"pageHeight": 60000, "pageWidth": 60000, "header": "none", "footer": "none"})
    assert toolkit.loadData(to_mei(page).decode())
    assert toolkit.getPageCount() == 1
    return toolkit.renderToSVG(1), etree.fromstring(toolkit.getMEI().encode())


# --- the published schema ---------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_valid_against_the_published_schema(name: str, neumes_schema: etree.RelaxNG) -> None:
    assert_valid(neumes_schema, tree(SAMPLES[name]))


@st.composite
def scrawls(draw: st.DrawFn) -> Page:
    """Any labels, steps and pitches in any order, in neumes or not."""
    make = Builder()
    for _ in range(draw(st.integers(1, 2))):
        tokens: list[Any] = []
        for label, step, grouped in draw(
            st.lists(
                st.tuples(st.sampled_from(NAMES), st.none() | st.integers(-4, 12), st.booleans()), max_size=8
            )
        ):
            if grouped and tokens and isinstance(tokens[-1], list):
                tokens[-1].append((label, step))
            else:
                tokens.append([(label, step)] if grouped else (label, step))
        certainty = draw(st.sampled_from(["exact", "ranged", "contour"]))
        make.add(draw(st.integers(0, 5)), draw(st.none() | st.integers(-3, 60)), tokens, certainty=certainty)
    return make.page("scrawl")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(page=scrawls())
def test_whatever_was_read_is_valid_and_there_once(page: Page, neumes_schema: etree.RelaxNG) -> None:
    root = tree(page)
    assert_valid(neumes_schema, root)
    written = sorted(element.get(ID) for element in found(root, *PLACED))
    assert written == sorted(glyph.id for glyph in page.glyphs)
    for element in found(root, *PLACED):
        assert element.tag == MEI + BY_NAME[page.current()[element.get(ID)].label].mei


# --- the contract -----------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sign_has_a_zone_of_its_own_on_the_leaf(name: str) -> None:
    page, root = SAMPLES[name], tree(SAMPLES[name])
    (surface,) = found(root, "surface")
    assert (surface.get("lrx"), surface.get("lry")) == (str(page.width), str(page.height))
    zones = {zone.get(ID): zone for zone in found(root, "zone")}
    assert len(found(surface, "graphic")) == 1
    signs = found(root, *PLACED)
    assert len(signs) == len(page.glyphs)
    pointed = [sign.get("facs") for sign in signs]
    assert len(set(pointed)) == len(pointed)
    for target in pointed:
        assert target[0] == "#" and target[1:] in zones
    for zone in zones.values():
        left, top, right, bottom = (int(zone.get(edge)) for edge in ("ulx", "uly", "lrx", "lry"))
        assert 0 <= left < right <= page.width and 0 <= top < bottom <= page.height
    ids = [element.get(ID) for element in root.iter() if element.get(ID)]
    assert len(set(ids)) == len(ids)


def test_zones_are_the_boxes_in_original_pixels() -> None:
    page = SAMPLES["exact"]
    zones = {zone.get(ID): zone for zone in found(tree(page), "zone")}
    for glyph in page.glyphs:
        zone = zones[f"z-{glyph.id}"]
        edges = tuple(int(zone.get(edge)) for edge in ("uly", "ulx", "lry", "lrx"))
        assert Box(*edges) == glyph.box


@pytest.mark.parametrize("name", SAMPLES)
def test_each_staff_starts_with_a_break(name: str) -> None:
    page, root = SAMPLES[name], tree(SAMPLES[name])
    staves = found(root, "staff")
    assert len(found(root, "sb")) == len(staves) == len(page.staves)
    for element in staves:
        assert element[0][0].tag == MEI + "sb"


@pytest.mark.parametrize("name", ["exact", "mixed", "syllables", "flats", "letters"])
def test_the_file_is_in_reading_order(name: str) -> None:
    """The samples number their signs in the order in which they were laid out."""
    page = SAMPLES[name]
    assert [element.get(ID) for element in found(tree(page), *PLACED)] == [glyph.id for glyph in page.glyphs]


def test_a_sign_added_last_stands_where_it_is_on_the_leaf() -> None:
    page = SAMPLES["exact"]
    moved = msgspec.structs.replace(
        page, glyphs=page.glyphs[1:] + page.glyphs[:1], readings=page.readings[::-1]
    )
    assert [e.get(ID) for e in found(tree(moved), *PLACED)] == [glyph.id for glyph in page.glyphs]


def test_the_last_reading_of_a_sign_holds() -> None:
    page = SAMPLES["exact"]
    better = msgspec.structs.replace(
        page.readings[1], pitch=Pitch(certainty="exact", degree=27), by="human", confidence=1.0
    )
    corrected = msgspec.structs.replace(page, readings=(*page.readings, better))
    nc = next(e for e in found(tree(corrected), "nc") if e.get(ID) == better.glyph)
    assert (nc.get("pname"), nc.get("oct"), nc.get("resp")) == ("b", "3", "#reader")


@pytest.mark.parametrize("name", ["exact", "ranged", "letters", "flats", "mixed", "layered"])
def test_pitches_are_those_of_the_page(name: str) -> None:
    page = SAMPLES[name]
    current = page.current()
    for nc in found(tree(page), "nc"):
        pitch = current[nc.get(ID)].pitch
        assert pitch is not None
        if pitch.certainty == "contour":
            assert nc.get("pname") is None and nc.get("oct") is None
        else:
            assert (nc.get("pname"), nc.get("oct")) == (pitch.pname, str(pitch.octave))


def test_contour_has_movement_but_no_pitch_at_all() -> None:
    root = tree(SAMPLES["contour"])
    assert [nc.get("intm") for nc in found(root, "nc")] == [
        r.pitch.contour for r in heads(SAMPLES["contour"]) if r.pitch
    ]
    assert not root.xpath("//@pname | //@oct")
    told = [annot.get("plist").split() for annot in found(root, "annot") if "the contour only" in annot.text]
    assert [len(signs) for signs in told] == [3, 3]


def test_a_range_gives_its_alternatives_beside_the_best() -> None:
    page, root = SAMPLES["ranged"], tree(SAMPLES["ranged"])
    by_target = {a.get("plist"): a.text for a in found(root, "annot") if a.get("type") == "doubt"}
    for reading in heads(page):
        assert "pitch in a range" in by_target[f"#{reading.glyph}"]
    assert by_target["#g0002"].endswith("pitch in a range: a3 0.60, b3 0.30, g3 0.10")


def test_doubtful_signs_and_only_they_are_annotated() -> None:
    page, root = SAMPLES["exact"], tree(SAMPLES["exact"])
    told = {annot.get("plist") for annot in found(root, "annot")}
    assert told == {f"#{r.glyph}" for r in page.readings if r.confidence < 0.8}
    text = next(annot.text for annot in found(root, "annot"))
    assert text == "inclinatum 0.55 against virga 0.30, oriscus 0.05"


def test_warnings_are_told_where_they_belong() -> None:
    root = tree(SAMPLES["odd names"])
    assert [a.text for a in root.iterfind(f".//{MEI}notesStmt/{MEI}annot")] == ["page: about the page & more"]
    (of_sign,) = [a for a in found(root, "annot") if a.text == "glyph: about one sign"]
    target = of_sign.get("plist")[1:]
    assert any(element.get(ID) == target for element in found(root, "nc"))
    (of_staff,) = [a for a in found(tree(SAMPLES["mixed"]), "annot") if a.get("plist") == "#s03"]
    assert of_staff.text.startswith("clef-missing")


def test_shapes_are_written_as_the_standard_does() -> None:
    """MEI 5.1, neumes: virga @tilt n, lozenge @tilt se, oblique two @ligated, the rest children."""
    page = SAMPLES["exact"]
    current = page.current()
    children = {
        "quilisma": "quilisma",
        "oriscus": "oriscus",
        "stropha": "strophicus",
        "liquescent": "liquescent",
    }
    for nc in found(tree(page), "nc"):
        label = current[nc.get(ID)].label
        assert nc.get("tilt") == {"virga": "n", "inclinatum": "se"}.get(label)
        assert nc.get("ligated") == ("true" if label == "oblique" else None)
        assert [child.tag for child in nc] == ([MEI + children[label]] if label in children else [])
    (liquescent,) = [nc for nc in found(tree(page), "nc") if len(nc) and nc[0].tag == MEI + "liquescent"]
    assert liquescent.get("curve") == "c"  # the melody falls into it


def test_a_single_end_of_an_oblique_is_not_ligated() -> None:
    make = Builder()
    make.add(4, 22, [[("oblique", 3), ("oblique", 2), ("oblique", 1)]])
    assert [nc.get("ligated") for nc in found(tree(make.page("p")), "nc")] == ["true", "true", None]


def test_flats_stand_at_their_pitch_and_colour_their_note() -> None:
    root = tree(SAMPLES["flats"])
    flat, natural = found(root, "accid")
    assert (flat.get("accid"), flat.get("ploc"), flat.get("oloc")) == ("f", "b", "3")
    assert (natural.get("accid"), natural.get("ploc"), natural.get("oloc")) == ("n", "b", "3")
    assert [nc.get("accid.ges") for nc in found(root, "nc")] == [None, "f", None, None]


def test_a_flat_without_any_note_takes_its_pitch_from_the_clef() -> None:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), ("flat", 5)])
    (flat,) = found(tree(make.page("p")), "accid")
    assert (flat.get("ploc"), flat.get("oloc")) == ("b", "3")


def test_a_custos_stands_in_the_layer() -> None:
    (custos,) = found(tree(SAMPLES["exact"]), "custos")
    assert custos.getparent().tag == MEI + "layer"
    assert (custos.get("pname"), custos.get("oct")) == ("d", "3")


def test_staves_with_four_and_five_lines_and_a_clef_that_was_not_written() -> None:
    root = tree(SAMPLES["mixed"])
    defs = found(root, "staffDef")
    assert [d.get("lines") for d in defs] == ["4", "5", "4"]
    assert {d.get("notationtype") for d in defs} == {"neume"}
    assert {d.get("notationsubtype") for d in defs} == {"square"}
    assert [d.get("clef.shape") for d in defs] == [None, None, "C"]
    assert (defs[2].get("clef.line"), defs[2].get("clef.visible")) == ("4", "false")
    assert len(found(root, "clef")) == 2


def test_a_staffless_leaf_declares_no_lines() -> None:
    (only,) = found(tree(SAMPLES["contour"]), "staffDef")
    assert only.get("lines") is None and only.get("lines.visible") == "false"
    assert only.get("notationsubtype") == "staffless"


def test_extra_layers_stay_out_of_the_melody() -> None:
    root = tree(SAMPLES["layered"])
    melody, upper = found(root, "layer")
    assert (melody.get("type"), upper.get("type")) == ("melody", "upper")
    assert (len(found(melody, "nc")), len(found(upper, "nc"))) == (5, 2)


def test_the_header_says_what_made_it() -> None:
    (application,) = found(tree(SAMPLES["exact"]), "application")
    text = " ".join(application.itertext())
    assert application.get("version") == "0.1.0"
    assert "glyphs" in text and "cd" * 32 in text and "jobs = 2; lines = auto" in text


# --- syllables --------------------------------------------------------------------------


def test_without_syllables_each_neume_is_one() -> None:
    root = tree(SAMPLES["exact"])
    assert len(found(root, "syllable")) == len(found(root, "neume")) == len(SAMPLES["exact"].neumes)


def test_syllables_hold_their_neumes_in_the_order_of_the_text() -> None:
    root = tree(SAMPLES["syllables"])
    groups = [
        ("".join(s.xpath("string(*[1])")), len(s.findall(MEI + "neume")), s.get("follows"))
        for s in found(root, "syllable")
    ]
    # The custos at the end of the first staff may stand in no syllable, so "Re" goes on in a second part.
    assert groups == [("Sal", 2, None), ("ve", 0, None), ("Re", 1, None), ("", 1, "#y0003"), ("gi", 1, None)]
    syls = [syl for syl in found(root, "syl") if syl.text]
    assert [(syl.get("wordpos"), syl.get("con")) for syl in syls] == [
        ("i", "d"),
        ("t", None),
        ("i", "d"),
        ("m", "d"),
    ]
    assert all(syl.get("facs") for syl in syls)


def test_a_division_within_a_syllable_stays_in_it() -> None:
    make = Builder()
    make.add(4, 22, [("clef_c", 6), [("punctum", 2)], ("division", 3), [("punctum", 3)], ("division", 3)])
    page = make.page("p")
    shared = msgspec.structs.replace(
        page,
        syllables=SAMPLES["syllables"].syllables[:1],
        neumes=tuple(msgspec.structs.replace(neume, syllable="y0001") for neume in page.neumes),
    )
    inside, after = found(tree(shared), "divLine")
    assert (inside.getparent().tag, after.getparent().tag) == (MEI + "syllable", MEI + "layer")


# --- clefs and divisions against published tables ---------------------------------------

# Bottom line of a staff: chant notation guide of traditionalcatholic.net for C3, C4 and F3; all C rows, F3,
# F4 and F5 also music21 10.5.1 `clefFromString`; F1 and F2 from C on line n = F on line n - 2.
BOTTOM_LINES = {
    ("C", "1"): "c4",
    ("C", "2"): "a3",
    ("C", "3"): "f3",
    ("C", "4"): "d3",
    ("C", "5"): "b2",
    ("F", "1"): "f3",
    ("F", "2"): "d3",
    ("F", "3"): "b2",
    ("F", "4"): "g2",
    ("F", "5"): "e2",
}


def _degree(name: str) -> int:
    return 7 * int(name[1]) + "cdefgab".index(name[0])


@pytest.mark.parametrize("letter", "abcdefg")
@pytest.mark.parametrize(("lines", "step"), [(n, step) for n in (1, 4, 5) for step in range(2 * n - 1)])
def test_letter_clefs_become_clefs_for_the_same_pitches(letter: str, lines: int, step: int) -> None:
    reading = Reading(glyph="g", label=f"clef_{letter}", confidence=1.0, step=step)
    base = base_degree(reading.label, step)
    given_attributes = clef_attributes(reading, lines, base)
    if letter not in "cf" or "shape" not in given_attributes:
        assert given_attributes["label"] == letter.upper()
    key = (given_attributes.get("shape", ""), given_attributes.get("line", ""))
    fitting = [
        known for known, bottom in BOTTOM_LINES.items() if _degree(bottom) == base and int(known[1]) <= lines
    ]
    if key in BOTTOM_LINES:
        assert key in fitting
    elif key[0] == "G":  # MEI: the G clef's line is g4
        assert base == _degree("g4") - 2 * (int(key[1]) - 1)
    else:
        assert key == ("", "") and not fitting


def test_a_g_clef_in_the_octave_below_says_so() -> None:
    clefs = found(tree(SAMPLES["letters"]), "clef")
    assert (clefs[2].get("shape"), clefs[2].get("dis"), clefs[2].get("dis.place")) == ("G", "8", "below")
    assert clefs[3].get("shape") is None and clefs[3].get("label") == "B"


@pytest.mark.parametrize(
    ("form", "low", "high", "wide"),
    [
        # SMuFL 1.4 metadata (Bravura): extents in spaces from the middle of a four-line staff, width
        ("minima", 1.0, 2.0, 0.064),
        ("maior", -1.0, 1.0, 0.064),
        ("maxima", -1.5, 1.5, 0.064),
        ("finalis", -1.5, 1.5, 0.48),
    ],
)
@pytest.mark.parametrize("space", [24, 60])
def test_divisions_are_named_by_their_reach(
    form: str, low: float, high: float, wide: float, space: int
) -> None:
    flat = staff(1, 4)
    lines = tuple(
        msgspec.structs.replace(line, rows=(500.0 - space * n,) * 3) for n, line in enumerate(flat.lines)
    )
    here = msgspec.structs.replace(flat, lines=lines, space_px=float(space))
    middle = 500 - 1.5 * space
    box = Box(
        round(middle - high * space), 300, round(middle - low * space), 300 + max(2, round(wide * space))
    )
    assert division_attributes(box, here) == {"form": form}


def test_coloured_lines_that_skip_a_place_keep_their_grid(neumes_schema: etree.RelaxNG) -> None:
    """A red F line and a yellow C line stand two spaces apart: lines 1 and 3 of a grid of three."""
    make = Builder()
    make.add(3, 24, [("clef_c", 4), [("punctum", 0), ("punctum", 4)]])
    bottom, _, top = make.staves[0].lines
    make.staves[0] = msgspec.structs.replace(make.staves[0], lines=(bottom, top), kind="coloured-lines")
    root = tree(make.page("coloured"))
    assert_valid(neumes_schema, root)
    (clef,) = found(root, "clef")
    assert (clef.get("shape"), clef.get("line")) == ("C", "3")
    (declared,) = found(root, "staffDef")
    assert (declared.get("lines"), declared.get("label")) == ("3", "lines drawn: 1, 3")
    assert [(nc.get("pname"), nc.get("oct")) for nc in found(root, "nc")] == [("f", "3"), ("c", "4")]


def test_hints_are_told_as_hints(neumes_schema: etree.RelaxNG) -> None:
    hints = (Remark(code="mode", text="Mode 1, perhaps.", staff="s01"), Remark(code="mode", text="Mode 2."))
    root = tree(msgspec.structs.replace(SAMPLES["exact"], hints=hints))
    assert_valid(neumes_schema, root)
    told = [(annot.text, annot.get("plist")) for annot in found(root, "annot") if annot.get("type") == "hint"]
    assert told == [("mode: Mode 2.", None), ("mode: Mode 1, perhaps.", "#s01")]


# --- another program's reading ----------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["exact", "ranged", "contour", "letters", "flats", "mixed", "syllables", "odd names"]
)
def test_verovio_reads_every_note_with_its_pitch(name: str) -> None:
    page = SAMPLES[name]
    svg, back = engraved(page)
    ours = [(nc.get("pname"), nc.get("oct")) for nc in found(tree(page), "nc")]
    assert len(re.findall(r'class="nc"', svg)) == len(heads(page)) == len(ours)
    assert [(nc.get("pname"), nc.get("oct")) for nc in found(back, "nc")] == ours


@pytest.mark.parametrize("name", ["exact", "flats", "syllables"])
def test_verovio_draws_every_note_on_the_step_it_was_read_from(name: str) -> None:
    """Clef and pitch together must lead back to the place on the staff."""
    page = SAMPLES[name]
    svg, _ = engraved(page)
    current = page.current()
    ligated = {nc.get(ID) for nc in found(tree(page), "nc") if nc.get("ligated")}
    drawn = re.findall(r'<g id="(\w+)" class="nc">\s*<use [^>]*translate\(-?\d+, (-?\d+)\)', svg)
    places = [(current[glyph].step or 0, int(row)) for glyph, row in drawn if glyph not in ligated]
    assert len(places) == len(heads(page)) - len(ligated)
    (step, row), half_space = places[0], 90  # Verovio's own unit: half a space of its staff
    assert [(s, row - half_space * (s - step)) for s, _ in places] == places


@pytest.mark.leaves
def test_a_whole_leaf(scans: Path, neumes_schema: etree.RelaxNG) -> None:
    path = scans / "antiphoner_f001r.truth.json"
    page = load_truth(path)
    root = tree(page)
    assert_valid(neumes_schema, root)
    truth = [
        (symbol["pname"], str(symbol["oct"]))
        for given_staff in json.loads(path.read_text())["staves"]
        for symbol in given_staff["symbols"]
        if symbol["kind"] == "nc"
    ]
    assert len(truth) == 336
    ours = [(nc.get("pname"), nc.get("oct")) for nc in found(root, "nc")]
    assert ours == truth
    svg, back = engraved(page)
    assert len(re.findall(r'class="nc"', svg)) == 336
    assert [(nc.get("pname"), nc.get("oct")) for nc in found(back, "nc")] == ours


# --- bytes and words --------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_the_same_page_gives_the_same_bytes(name: str) -> None:
    copy = msgspec.json.decode(msgspec.json.encode(SAMPLES[name]), type=Page)
    assert to_mei(SAMPLES[name]) == to_mei(copy)


@pytest.mark.parametrize(
    ("name", "staff_id", "text"),
    [
        ("exact", "", "f3-g3 c4-b3-a3 b3-g3-a3 e3-f3-f3-e3"),
        ("exact", "s02", "d3-e3 a2 a3-g3-f3"),
        ("flats", "", "a3-bb3 f3-g3"),
        ("ranged", "s02", "a3?-b3? d3?"),
        ("contour", "", "?d-?s ?u"),
        ("layered", "", "f3-g3 c4-b3-a3"),
        ("empty", "", ""),
        ("ruled", "s01", ""),
    ],
)
def test_melody_in_plain_words(name: str, staff_id: str, text: str) -> None:
    assert melody_text(SAMPLES[name], staff_id) == text
