"""Page or book to MusicXML 4.0, for score editors: stemless heads without rhythm.

* One part, in the octave of the other outputs (the C clef's line is c4), on a treble staff that
  sounds an octave lower. The clef of the source stands in words above the first note it governs.
* Each staff is a measure and starts a system; a division ends a measure, its form in ``bar-style``.
  The measures have no metre (``senza-misura``, not printed).
* The source has no durations, so none are invented: notes have no ``type``, ``stem`` is none, and the
  ``duration`` that the format demands is the same 1 for every note.
* A neume of several notes is a slur. Lyrics stand at a syllable's first note, ``syllabic`` tells
  hyphens, ``extend`` a melisma at the end of a word. What goes on over a staff's end is written once.
* **Doubt.** A note is a ``pitch`` only where that is exact. A range is ``unpitched`` with a cross for a
  head, displayed at its best degree; a note without pitch the same, in the middle of the staff. So no
  program plays or finds it as a note. Layers above and below the staff are left out, and counted.
* The shapes of heads, and custodes, are not written.

References
----------
.. [1] W3C Music Notation Community Group, MusicXML 4.0, 2021, https://www.w3.org/2021/06/musicxml40/
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import BinaryIO, Final

from lxml import etree

from neumary.doubt import certain_pitch
from neumary.gamut import clef_name
from neumary.mei_signs import division_attributes
from neumary.order import Event, melody_events
from neumary.types import Page, Reading, Staff, Syllable
from neumary.xmlwrite import Element, clean, sub
from neumary_models.labels import CLEFS

_DOCTYPE: Final = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">'
)
_BARS: Final = {"minima": "tick", "maior": "short", "maxima": "regular", "finalis": "light-light"}
_SYLLABIC: Final = {"i": "begin", "m": "middle", "t": "end", "s": "single"}


def write_musicxml(title: str, pages: Iterable[Page], file: BinaryIO) -> None:
    """Write pages, in the order given, as one score.

    Parameters
    ----------
    title : str
    pages : iterable of Page
    file : file object, binary

    Notes
    -----
    Measures are written one by one, so that a book needs no more memory than a page.
    """
    writer = _Writer()
    with etree.xmlfile(file, encoding="UTF-8") as xml:
        xml.write_declaration()
        xml.write_doctype(_DOCTYPE)
        with xml.element("score-partwise", version="4.0"):
            for element in _head(title):
                _put(xml, element)
            with xml.element("part", id="P1"):
                for page in pages:
                    for measure in writer.page(page):
                        _put(xml, measure)
                if not writer.number:
                    _put(xml, writer.measure())  # the format demands one
    file.write(b"\n")


def _put(xml: Element, element: Element) -> None:
    etree.indent(element)
    element.tail = "\n"
    xml.write(element)


def _head(title: str) -> list[Element]:
    work, identification, parts = (etree.Element(name) for name in ("work", "identification", "part-list"))
    sub(work, "work-title", title)
    sub(sub(identification, "encoding"), "software", "neumary")
    notes = sub(identification, "miscellaneous")
    sub(notes, "miscellaneous-field", "A draft for a specialist to check, not an edition.", name="status")
    sub(notes, "miscellaneous-field", "Durations have no meaning: the source has none.", name="rhythm")
    sub(sub(parts, "score-part", id="P1"), "part-name", "", {"print-object": "no"})
    return [work, identification, parts]


@dataclass(slots=True)
class _Place:
    """What a note needs to know of its neume and syllable."""

    syllable: Syllable | None
    first_of_syllable: bool
    more_of_syllable: bool
    slur: str  # "start", "stop" or ""


class _Writer:
    """Measures of a score, page by page."""

    def __init__(self) -> None:
        self.number = 0

    def measure(self) -> Element:
        self.number += 1
        element = etree.Element("measure", number=str(self.number))
        if self.number == 1:
            attributes = sub(element, "attributes")
            sub(attributes, "divisions", "1")
            sub(sub(attributes, "time", "", {"print-object": "no"}), "senza-misura")
            clef = sub(attributes, "clef")
            sub(clef, "sign", "G")
            sub(clef, "line", "2")
            sub(clef, "clef-octave-change", "-1")
        return element

    def page(self, page: Page) -> list[Element]:
        """Write the staves of a page that have notes or clefs."""
        syllables = {syllable.id: syllable for syllable in page.syllables}
        sung: set[str] = set()
        measures: list[Element] = []
        for staff, events in melody_events(page):
            if not any(event.is_neume for event in events):
                continue
            broken = "new-system" if measures or not self.number else "new-page"
            measures += self._staff(staff, events, syllables, sung, broken)
        return measures

    def _staff(
        self, staff: Staff, events: list[Event], syllables: dict[str, Syllable], sung: set[str], broken: str
    ) -> list[Element]:
        measures = [self.measure()]
        measures[0].insert(0, etree.Element("print", {broken: "yes"}))
        open_measure = True
        for number, event in enumerate(events):
            label = event.signs[0][1].label
            wanted = event.is_neume or label in CLEFS
            if wanted and not open_measure:
                measures.append(self.measure())
                open_measure = True
            if event.is_neume:
                self._neume(measures[-1], event, events[number + 1 :], syllables, sung)
            elif label in CLEFS:
                _clef_words(measures[-1], event.signs[0][1])
            elif label == "division" and open_measure:
                form = division_attributes(event.signs[0][0].box, staff).get("form", "")
                _barline(measures[-1], _BARS.get(form, "regular"))
                open_measure = False
        if open_measure:
            _barline(measures[-1], "none")
        return measures

    def _neume(
        self,
        measure: Element,
        event: Event,
        after: list[Event],
        syllables: dict[str, Syllable],
        sung: set[str],
    ) -> None:
        name = event.neume.syllable if event.neume else ""
        first = bool(name) and name not in sung
        sung.add(name)
        following = next((e for e in after if e.is_neume), None)
        goes_on = bool(name and following and following.neume and following.neume.syllable == name)
        last = len(event.signs) - 1
        for number, (_, reading) in enumerate(event.signs):
            slur = "" if last == 0 else "start" if number == 0 else "stop" if number == last else ""
            place = _Place(syllables.get(name), first and number == 0, number < last or goes_on, slur)
            _note(measure, reading, place)


def _note(measure: Element, reading: Reading, place: _Place) -> None:
    """Write a note; the order of its parts is the schema's."""
    note = sub(measure, "note")
    pitch = certain_pitch(reading)
    if pitch is not None:
        element = sub(note, "pitch")
        sub(element, "step", pitch.pname.upper())
        if pitch.alter:
            sub(element, "alter", str(pitch.alter))
        sub(element, "octave", str(pitch.octave))
    else:
        element = sub(note, "unpitched")
        best = reading.pitch
        if best is not None and best.certainty == "ranged" and best.degree is not None:
            sub(element, "display-step", best.pname.upper())
            sub(element, "display-octave", str(best.octave))
    sub(note, "duration", "1")
    sub(note, "voice", "1")
    if pitch is not None and pitch.alter:
        sub(note, "accidental", "flat")
    sub(note, "stem", "none")
    if pitch is None:
        sub(note, "notehead", "x")
    if place.slur:
        sub(sub(note, "notations"), "slur", type=place.slur, number="1")
    if place.first_of_syllable:
        _lyric(note, place)


def _lyric(note: Element, place: _Place) -> None:
    syllable = place.syllable
    if syllable is None or not syllable.text:
        return
    lyric = sub(note, "lyric", number="1")
    if syllable.wordpos:
        sub(lyric, "syllabic", _SYLLABIC[syllable.wordpos])
    sub(lyric, "text", syllable.text)
    if place.more_of_syllable and syllable.wordpos in ("t", "s"):
        sub(lyric, "extend")


def _clef_words(measure: Element, reading: Reading) -> None:
    """Say which clef the source has; a clef without a place on lines by its letter alone."""
    letter = reading.label.removeprefix("clef_").upper()
    words = f"{letter} clef" if reading.step is None else clef_name(reading.label, reading.step)
    direction = sub(measure, "direction", placement="above")
    sub(sub(direction, "direction-type"), "words", clean(words))


def _barline(measure: Element, style: str) -> None:
    sub(sub(measure, "barline", location="right"), "bar-style", style)
