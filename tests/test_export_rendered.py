"""Any page the renderer can draw goes through every export without loss of its pitches."""

from __future__ import annotations

import io
import json

import music21
import pytest
from lxml import etree
from music21 import volpiano

from neumary.export_annotations import to_annotations
from neumary.export_mei import write_book
from neumary.export_musicxml import write_musicxml
from neumary.export_tables import tables
from neumary.export_text import LETTERS, LOWEST_DEGREE, staff_texts
from neumary.mei import NAMESPACE
from neumary.pagexml import to_pagexml
from neumary.types import PNAMES, Page
from neumary_models.labels import HEADS
from neumary_synth.plan import KINDS
from neumary_synth.render import render_page

MEI = f"{{{NAMESPACE}}}"
Note = tuple[str, int, int]


def drawn(kind: str, seed: int) -> Page:
    return render_page(seed, kind, space_px=10.0).page


def sung(page: Page) -> list[Note | None]:
    """Pitches in the renderer's own order: its list is in the order sung."""
    staves = [staff.id for staff in page.staves]
    current = page.current()
    glyphs = {glyph.id: glyph for glyph in page.glyphs}
    heads = {g.id for g in page.glyphs if g.layer == "melody" and current[g.id].label in HEADS}
    ordered = [head for staff in staves for n in page.neumes if n.staff == staff for head in n.glyphs]
    ordered = [head for head in ordered if head in heads]
    assert sorted(ordered) == sorted(heads), "every head belongs to a neume"
    assert all(glyphs[head].layer == "melody" for head in ordered)
    found: list[Note | None] = []
    for head in ordered:
        pitch = current[head].pitch
        known = pitch is not None and pitch.certainty == "exact" and pitch.degree is not None
        found.append((PNAMES[pitch.degree % 7], pitch.degree // 7, pitch.alter) if known else None)  # type: ignore[union-attr,operator]
    return found


def note(one: music21.note.Note, octaves: int = 0) -> Note:
    return one.pitch.step.lower(), one.pitch.octave + octaves, int(one.pitch.alter)


@pytest.mark.parametrize("kind", KINDS)
def test_pitches_survive_every_export(kind: str) -> None:
    page = drawn(kind, 31 + KINDS.index(kind))
    pitches = sung(page)
    exact = [pitch for pitch in pitches if pitch]

    file = io.BytesIO()
    write_musicxml("drawn", [page], file)
    notes = music21.converter.parse(file.getvalue().decode(), format="musicxml").recurse().notes
    assert [note(n) if isinstance(n, music21.note.Note) else None for n in notes] == pitches

    texts = staff_texts(page)
    letters = [n for text in texts for n in volpiano.toPart(text.melody).flatten().notes]
    written = [p for p in exact if 0 <= 7 * p[1] + PNAMES.index(p[0]) - LOWEST_DEGREE < len(LETTERS)]
    assert [note(n, -1) for n in letters] == written
    assert sum(text.hidden for text in texts) == len(pitches) - len(written)

    file = io.BytesIO()
    write_book("drawn", lambda: [page, page], file)
    melody = etree.fromstring(file.getvalue()).findall(f".//{MEI}layer[@n='1']")
    heads = [nc for layer in melody for nc in layer.iter(MEI + "nc")]
    names = [(nc.get("pname"), int(nc.get("oct", -1)), -(nc.get("accid.ges") == "f")) for nc in heads]
    assert [name if name[0] else None for name in names] == [*pitches, *pitches]

    rows = [row for row in tables(page)["notes"] if row["layer"] == "melody"]
    told = [(r["pname"], r["octave"], r["alter"]) if r["certainty"] == "exact" else None for r in rows]
    assert told == pitches

    said = json.loads(to_annotations(page, "urn:c"))["items"]
    assert len([item for item in said if item["motivation"] == "questioning"]) >= pitches.count(None)
    assert etree.fromstring(to_pagexml(page)) is not None
