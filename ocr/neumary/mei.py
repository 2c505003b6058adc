"""Page to MEI 5.1 (neumes), for editors, engravers and search engines.

The form of the document:

* one ``surface`` for the leaf, with a ``zone`` for every sign, staff and syllable box,
  in pixels of the original image; zones are clipped to the leaf;
* one ``section`` per staff of the leaf, in reading order, because MEI takes two
  ``staff`` elements side by side for sounding together. A section whose number of
  lines or kind of notation differs from what was in force starts with a ``scoreDef``
  (the schema allows no ``staffDef`` within a layer), so leaves that mix staves of four and
  five lines are encoded as they are;
* each staff's first layer starts with ``sb``; signs written above or below the staff
  without lines stand in layers 2 and 3, never in the melody, in syllables that point with
  @corresp at the melody's;
* a significative letter is a ``signifLet`` in the neume it stands at, an episema stands in its neume's last
  ``nc``; both have no pitch, as signs without lines have none;
* on staves of coloured lines that skip places, @lines counts the places too, so that @line and @loc
  hold, and @label says which lines are drawn;
* a clef that was concluded, not seen, is no element: it stands in ``staffDef`` and is
  marked invisible;
* every doubt is an ``annot`` at the end of its layer, pointing at what it doubts.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final
from urllib.parse import quote

from lxml import etree

from neumary.mei_marks import signif_let
from neumary.mei_signs import (
    accid_attributes,
    clef_attributes,
    custos_attributes,
    degree_offsets,
    division_attributes,
    equivalent_clef,
    grid_lines,
    head_attributes,
)
from neumary.melody_text import doubt_text, is_whole, sign_doubt
from neumary.order import Event, staff_events
from neumary.types import Box, Mark, Page, Reading, Remark, Staff, Syllable
from neumary.xmlwrite import XML_ID, Element, clean, clip, serialise, sub, xml_id
from neumary_models.labels import BY_NAME

NAMESPACE: Final = "http://www.music-encoding.org/ns/mei"
_LAYERS: Final = ("melody", "upper", "lower")


def to_mei(page: Page) -> bytes:
    """Write a page as MEI 5.1, module for neumes.

    Parameters
    ----------
    page : Page

    Returns
    -------
    bytes
        UTF-8 XML, valid against mei-Neumes-5.1.rng [1]_; the same page gives the same
        bytes. Every read sign is in it exactly once.

    References
    ----------
    .. [1] Music Encoding Initiative, MEI 5.1 schemata and Guidelines, chapter 6
       "Neume Notation", https://music-encoding.org/guidelines/v5/
    """
    return _Writer(page).write()


class _Writer:
    """The document of one page while it is being built."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.events = staff_events(page)
        self.syllables = {syllable.id: syllable for syllable in page.syllables}
        self.sung: dict[str, int] = {}  # syllable id -> parts written so far
        self.root = etree.Element(
            etree.QName(NAMESPACE, "mei"), {"meiversion": "5.1"}, nsmap={None: NAMESPACE}
        )
        self.surface: Element
        self.in_force: tuple[str, ...] = ()

    def write(self) -> bytes:
        self._head(sub(self.root, "meiHead"))
        music = sub(self.root, "music")
        self._facsimile(sub(music, "facsimile"))
        score = sub(sub(sub(music, "body"), "mdiv"), "score")
        first = self.page.staves[0] if self.page.staves else None
        self._score_def(score, first)
        section = sub(score, "section")
        sub(section, "pb", n="1", facs="#surface")
        for number, staff in enumerate(self.page.staves, 1):
            self._staff(section, staff, number)
        return serialise(self.root)

    # The header

    def _head(self, head: Element) -> None:
        page, made = self.page, self.page.provenance
        desc = sub(head, "fileDesc")
        title = sub(desc, "titleStmt")
        sub(title, "title", page.page_id)
        if any(reading.by == "human" for reading in page.readings):
            statement = sub(title, "respStmt")
            sub(statement, "resp", "corrections by hand")
            sub(statement, "name", "a reader", {XML_ID: "reader"})
        published = sub(sub(desc, "pubStmt"), "availability")
        sub(sub(published, "useRestrict"), "p", "A draft for a specialist to check, not an edition.")
        notes = [note for note in self._notes() if not note[1].staff and not note[1].glyph]
        if notes:
            statement = sub(desc, "notesStmt")
            for kind, remark in notes:
                sub(statement, "annot", f"{remark.code}: {remark.text}", type=kind)
        source = sub(sub(desc, "sourceDesc"), "source")
        leaf = sub(source, "bibl")
        sub(leaf, "title", page.source)
        sub(leaf, "identifier", page.sha256, type="sha256")
        application = sub(sub(sub(head, "encodingDesc"), "appInfo"), "application", "", {XML_ID: "program"})
        if made.version:
            application.set("version", re.sub(r"[^\w.:-]", "-", made.version, flags=re.ASCII))
        sub(application, "name", made.program or "neumary")
        sub(application, "p", f"model: {made.model or 'none'}; sha256: {made.model_sha256 or 'none'}")
        for name, sha256 in sorted(made.models.items()):
            if name != made.model:
                sub(application, "p", f"with model: {name}; sha256: {sha256}")
        settings = "; ".join(f"{name} = {value}" for name, value in sorted(made.settings.items()))
        sub(application, "p", f"settings: {settings or 'none'}; sha256: {made.settings_sha256 or 'none'}")

    # The leaf and its zones

    def _facsimile(self, facsimile: Element) -> None:
        page = self.page
        edges = {"ulx": "0", "uly": "0", "lrx": str(page.width), "lry": str(page.height)}
        self.surface = sub(facsimile, "surface", "", {XML_ID: "surface", **edges})
        size = {"width": f"{page.width}px", "height": f"{page.height}px"}
        sub(
            self.surface,
            "graphic",
            "",
            {"target": quote(clean(page.source), safe="/:()+,;=@!$&'~"), **size},
        )
        for staff in page.staves:
            self._zone("s", staff.id, staff.area, "staff")
            for event in self.events[staff.id]:
                for glyph, reading in event.signs:
                    self._zone("g", glyph.id, glyph.box, BY_NAME[reading.label].mei)
            for mark in page.marks:
                if mark.staff == staff.id and mark.box is not None:
                    self._zone("m", mark.id, mark.box, "signifLet")
            for syllable in page.syllables:
                if syllable.staff == staff.id and syllable.box is not None:
                    self._zone("y", syllable.id, syllable.box, "syl")

    def _zone(self, kind: str, name: str, box: Box, element: str) -> None:
        left, right = clip(box.left, box.right, self.page.width)
        top, bottom = clip(box.top, box.bottom, self.page.height)
        edges = {"ulx": left, "uly": top, "lrx": right, "lry": bottom}
        sub(
            self.surface,
            "zone",
            "",
            {
                XML_ID: f"z-{xml_id(kind, name)}",
                "type": element,
                **{name: str(edge) for name, edge in edges.items()},
            },
        )

    # The score

    def _score_def(self, parent: Element, staff: Staff | None) -> None:
        """Declare lines, kind and a clef not seen, if they differ from what is in force."""
        attributes = {"n": "1", "notationtype": "neume"}
        if staff is not None:
            attributes["notationsubtype"] = staff.kind
            if staff.lines:
                attributes["lines"] = str(grid_lines(staff))
                if grid_lines(staff) > len(staff.lines):
                    drawn = ", ".join(str(place + 1) for place in staff.places)
                    attributes["label"] = f"lines drawn: {drawn}"
            else:
                attributes["lines.visible"] = "false"
            attributes.update(self._hidden_clef(staff))
        now = tuple(f"{name}={value}" for name, value in attributes.items())
        if now != self.in_force:
            group = sub(sub(parent, "scoreDef"), "staffGrp")
            sub(group, "staffDef", "", attributes)
            self.in_force = now

    def _hidden_clef(self, staff: Staff) -> dict[str, str]:
        """Give the clef that the heads before any written clef imply."""
        melody = [event for event in self.events[staff.id] if event.layer == "melody"]
        for event, offset in zip(melody, degree_offsets(melody), strict=True):
            if BY_NAME[event.signs[0][1].label].group == "clef":
                break
            if event.is_neume and offset is not None:
                clef = equivalent_clef(offset, grid_lines(staff))
                named = {f"clef.{name}": value for name, value in clef.items()}
                return {**named, "clef.visible": "false"} if named else {}
        return {}

    def _staff(self, parent: Element, staff: Staff, number: int) -> None:
        section = sub(parent, "section", n=str(number))
        self._score_def(section, staff)
        zone = f"#z-{xml_id('s', staff.id)}"
        element = sub(section, "staff", "", {XML_ID: xml_id("s", staff.id), "n": "1", "facs": zone})
        events = self.events[staff.id]
        extra = sorted({event.layer for event in events} - set(_LAYERS))
        for rank, name in enumerate((*_LAYERS, *extra), 1):
            within = [event for event in events if event.layer == name]
            loose = self._loose_letters(staff, name, within)
            if rank > 1 and not within and not loose:
                continue
            layer = sub(element, "layer", n=str(rank), type=re.sub(r"\s+", "-", name) or "unnamed")
            if rank == 1:
                sub(layer, "sb", n=str(number), facs=zone)
            self._layer(layer, staff, within, with_text=rank == 1)
            for mark in loose:
                signif_let(self._syllable(layer, None), mark, None)
            self._remarks(layer, staff, within, with_staff=rank == 1)

    def _loose_letters(self, staff: Staff, layer: str, events: Sequence[Event]) -> list[Mark]:
        """List the letters of a layer that stand at none of its neumes."""
        here = {event.neume.id for event in events if event.neume}
        return [
            mark
            for mark in self.page.marks
            if (mark.kind, mark.staff, mark.layer) == ("letter", staff.id, layer) and mark.neume not in here
        ]

    def _layer(self, layer: Element, staff: Staff, events: Sequence[Event], *, with_text: bool) -> None:
        """Write events in reading order; neighbouring neumes of one syllable stand together."""
        offsets = degree_offsets(events)
        waiting = self._silent_syllables(staff) if with_text else {}
        open_id, home = "", layer  # the syllable being written
        for number, event in enumerate(events):
            if event.is_neume:
                syllable_id = event.neume.syllable if event.neume else ""
                if not syllable_id or syllable_id != open_id:
                    for before in waiting.pop(syllable_id, []) if syllable_id else []:
                        self._syllable(layer, before)
                    home = self._syllable(layer, self.syllables.get(syllable_id), again=not with_text)
                self._neume(home, event)
                open_id = syllable_id
                continue
            goes_on = open_id and open_id == _next_syllable(events[number + 1 :])
            if event.signs[0][1].label == "custos" or not goes_on:
                open_id, home = "", layer
            self._sign(home, staff, event, offsets[number])
        for rest in waiting.values():
            for syllable in rest:
                self._syllable(layer, syllable)

    def _silent_syllables(self, staff: Staff) -> dict[str, list[Syllable]]:
        """List the staff's syllables with text but without a neume, by the sung one they precede."""
        sung = {event.neume.syllable for event in self.events[staff.id] if event.neume}
        elsewhere = {event.neume.syllable for along in self.events.values() for event in along if event.neume}
        waiting: dict[str, list[Syllable]] = {}
        silent: list[Syllable] = []
        for syllable in self.page.syllables:
            if syllable.staff != staff.id:
                continue
            if syllable.id in sung:
                waiting[syllable.id], silent = silent, []
            elif syllable.text and syllable.id not in elsewhere:
                silent.append(syllable)
        return {**waiting, "": silent}

    def _syllable(self, layer: Element, syllable: Syllable | None, *, again: bool = False) -> Element:
        """Open a syllable; one that goes on after a break is tied to its first part.

        `again` is for other layers: the melody's syllable, sung to signs around the staff as well.
        """
        if syllable is None:
            element = sub(layer, "syllable")
            sub(element, "syl")
            return element
        name, part = xml_id("y", syllable.id), self.sung.get(syllable.id, 0) + 1
        self.sung[syllable.id] = part
        own = name if part == 1 else f"{name}-{part}"
        element = sub(layer, "syllable", "", {XML_ID: own})
        syl = sub(element, "syl", syllable.text if part == 1 else "")
        if part > 1 and again:
            element.set("corresp", "#" + name)
            return element
        if part > 1:
            element.set("follows", "#" + (name if part == 2 else f"{name}-{part - 1}"))
            return element
        if syllable.wordpos:
            syl.set("wordpos", syllable.wordpos)
        if syllable.wordpos in ("i", "m"):
            syl.set("con", "d")
        if syllable.box is not None:
            syl.set("facs", f"#z-{name}")
        return element

    def _neume(self, syllable: Element, event: Event) -> None:
        element = sub(syllable, "neume")
        if event.neume:
            element.set(XML_ID, xml_id("n", event.neume.id))
            if event.neume.name:
                element.set("type", re.sub(r"[^a-z]", "", event.neume.name.lower()) or "neume")
                element.set("label", clean(event.neume.name))
        for (glyph, reading), (attributes, child) in zip(event.signs, head_attributes(event), strict=True):
            nc = sub(element, "nc", "", {**_placed(glyph.id), **attributes, **_by(reading)})
            if child:
                sub(nc, child)
        for mark in self.page.marks if event.neume else ():
            if event.neume and mark.neume == event.neume.id:
                if mark.kind == "episema":
                    sub(nc, "episema", "", {XML_ID: xml_id("m", mark.id), "form": "h"})
                else:
                    signif_let(element, mark, event)

    def _sign(self, parent: Element, staff: Staff, event: Event, offset: int | None) -> None:
        glyph, reading = event.signs[0]
        name = BY_NAME[reading.label].mei
        if name == "clef":
            attributes = clef_attributes(reading, grid_lines(staff), offset)
        elif name == "accid":
            attributes = accid_attributes(reading, offset)
        elif name == "custos":
            attributes = custos_attributes(reading)
        else:
            attributes = division_attributes(glyph.box, staff)
        sub(parent, name, "", {**_placed(glyph.id), **attributes, **_by(reading)})

    # Doubt

    def _remarks(self, layer: Element, staff: Staff, events: Sequence[Event], *, with_staff: bool) -> None:
        signs = [sign for event in events for sign in event.signs]
        here = {glyph.id for glyph, _ in signs}
        unpitched = []
        whole = {sign[0].id for event in events if is_whole(event) for sign in event.signs}
        for event in events:
            if event.neume and (text := sign_doubt(event)):
                sub(layer, "annot", text, type="doubt", plist="#" + xml_id("n", event.neume.id))
        for glyph, reading in signs:
            if reading.pitch is not None and reading.pitch.certainty == "contour":
                unpitched.append("#" + xml_id("g", glyph.id))
            if glyph.id not in whole and (text := doubt_text(reading)):
                sub(layer, "annot", text, type="doubt", plist="#" + xml_id("g", glyph.id))
        if unpitched:
            text = "no pitch: the source gives the contour only"
            sub(layer, "annot", text, type="doubt", plist=" ".join(unpitched))
        for kind, remark in self._notes():
            of_staff = with_staff and not remark.glyph and remark.staff == staff.id
            if remark.glyph in here or of_staff:
                target = "#" + (xml_id("g", remark.glyph) if remark.glyph else xml_id("s", remark.staff))
                sub(layer, "annot", f"{remark.code}: {remark.text}", type=kind, plist=target)

    def _notes(self) -> list[tuple[str, Remark]]:
        """Warnings and hints, each with its kind."""
        return [("warning", x) for x in self.page.warnings] + [("hint", x) for x in self.page.hints]


def _next_syllable(events: Sequence[Event]) -> str:
    """Syllable of the next neume, unless a custos comes before it."""
    for event in events:
        if event.is_neume:
            return event.neume.syllable if event.neume else ""
        if event.signs[0][1].label == "custos":
            return ""
    return ""


def _placed(glyph_id: str) -> dict[str, str]:
    name = xml_id("g", glyph_id)
    return {XML_ID: name, "facs": f"#z-{name}"}


def _by(reading: Reading) -> dict[str, str]:
    return {"resp": "#reader"} if reading.by == "human" else {}
