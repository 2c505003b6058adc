"""Real leaves through the whole chain: every file written is what its standard asks, and nothing is lost."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
import verovio
from lxml import etree

from neumary.doubt import count_notes
from neumary.export_mei import write_book
from neumary.lyric_text import load_text
from neumary.mei import NAMESPACE, to_mei
from neumary.models import load_model
from neumary.order import melody_events
from neumary.pagexml import to_pagexml
from neumary.pipeline import read_page
from neumary.scan import PageRef, load_scan
from neumary.settings import ReadSettings
from neumary.store import decode_page, encode_page
from neumary.types import Page
from neumary_models.labels import HEADS

pytestmark = pytest.mark.leaves

MEI = f"{{{NAMESPACE}}}"


def read(path: Path, **settings: str) -> Page:
    scan = load_scan(PageRef(path, 0, path.stem))
    page = read_page(scan, ReadSettings(**settings), load_model("", threads=1))  # type: ignore[arg-type]
    return decode_page(encode_page(page))  # as the other commands get it


@pytest.fixture(scope="module")
def leaf(scans: Path) -> Page:
    return read(scans / "antiphoner_f043r.jpg")


def heads(page: Page) -> int:
    return sum(reading.label in HEADS for reading in page.current().values())


def test_mei_is_valid_and_holds_every_note(leaf: Page, standards: Path) -> None:
    schema = etree.RelaxNG(etree.parse(standards / "mei" / "mei-Neumes-5.1.rng"))
    root = etree.fromstring(to_mei(leaf))
    assert schema.validate(root), str(schema.error_log)[:800]
    assert len(list(root.iter(MEI + "nc"))) == heads(leaf) > 100
    zones = {zone.get("{http://www.w3.org/XML/1998/namespace}id") for zone in root.iter(MEI + "zone")}
    signs = [sign for name in ("nc", "clef", "custos", "accid", "divLine") for sign in root.iter(MEI + name)]
    assert len(signs) == len(leaf.current())
    assert {sign.get("facs").removeprefix("#") for sign in signs} <= zones


def test_verovio_reads_the_pitches_that_were_read(leaf: Page) -> None:
    toolkit = verovio.toolkit()
    toolkit.setOptions({"pageHeight": 60000, "pageWidth": 60000, "header": "none", "footer": "none"})
    assert toolkit.loadData(to_mei(leaf).decode())
    assert len(re.findall(r'class="nc"', toolkit.renderToSVG(1))) == heads(leaf)
    back = etree.fromstring(toolkit.getMEI().encode())
    readings = [r for _, events in melody_events(leaf) for e in events if e.is_neume for _, r in e.signs]
    ours = [
        (r.pitch.pname, str(r.pitch.octave)) if r.pitch and r.pitch.degree is not None else (None, None)
        for r in readings
    ]
    assert [(nc.get("pname"), nc.get("oct")) for nc in back.iter(MEI + "nc")] == ours


def test_the_book_of_two_leaves_is_valid(leaf: Page, standards: Path) -> None:
    schema = etree.RelaxNG(etree.parse(standards / "mei" / "mei-Neumes-5.1.rng"))
    file = io.BytesIO()
    write_book("two leaves", lambda: [leaf, leaf], file)
    root = etree.fromstring(file.getvalue())
    assert schema.validate(root), str(schema.error_log)[:800]
    assert len(list(root.iter(MEI + "nc"))) == 2 * heads(leaf)


def test_page_xml_is_valid(leaf: Page, standards: Path) -> None:
    schema = etree.XMLSchema(etree.parse(standards / "page-xml" / "pagecontent-2019-07-15.xsd"))
    root = etree.fromstring(to_pagexml(leaf))
    assert schema.validate(root), str(schema.error_log)[:800]
    assert len(list(root.iter("{*}MusicRegion"))) == len(leaf.staves)


def test_every_neume_over_lyrics_has_a_syllable_of_its_staff(leaf: Page) -> None:
    staff_of = {syllable.id: syllable.staff for syllable in leaf.syllables}
    with_lyrics = set(staff_of.values())
    assert len(with_lyrics) >= 6  # six whole staves with lyrics, by eye
    tied = {neume.id: staff_of.get(neume.syllable, "") for neume in leaf.neumes}
    assert all(tied[n.id] == (n.staff if n.staff in with_lyrics else "") for n in leaf.neumes)
    assert {syllable.text for syllable in leaf.syllables} == {""}
    assert count_notes(leaf).exact > 100


def test_lines_of_a_text_find_their_staves(scans: Path) -> None:
    """First words of the sixteen sung lines, as they stand on the leaf; text between staves is not sung."""
    text = scans / "songbook_f033.alto.xml"
    page = read(scans / "songbook_f033.jpg", repertoire="song", text=str(text))
    first = {}
    for syllable in page.syllables:
        if syllable.text:
            first.setdefault(syllable.staff, syllable.text)
    sung = ["vant", "tanz", "bi", "to", "et", "Lors", "ta", "tu", "fi"]
    sung += ["om", "hors", "tre", "re", "ie", "ma", "san"]
    begun = [first.get(staff.id, "") for staff in page.staves]
    assert len(page.staves) == len(sung)
    right = sum(found.startswith(word) for found, word in zip(begun, sung, strict=True))
    assert right >= 15
    unsung = {"iaim", "tout", "plui", "moi"}
    assert not unsung & {syllable.text for syllable in page.syllables}
    assert len(load_text(text)) > len(sung)
