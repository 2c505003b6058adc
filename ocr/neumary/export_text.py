"""Melodies as plain text: Volpiano, the letter code chant databases search in.

One line of the file is one staff: page id, staff id, melody and words, parted by tabulators. The
melody is complete in itself: ``1---`` (treble clef), letters, and a break at its end (``7`` staff,
``77`` page). Spacing follows the convention [1]_: three hyphens between words, two between syllables,
one between neumes of one syllable, none within a neume. Where no syllable is known, one hyphen parts
neumes and claims nothing more; where the lyrics have boxes but no text, one hyphen parts the neumes
over a box, which may be a whole word, and two the boxes.

* **Octave.** The letters stand on a treble staff, one octave above the gamut: the C clef's line (c4 in
  every other output of this program) is ``k``, which reads as C5. Subtract an octave to compare.
* **Doubt.** A letter is always an exact pitch. A run of notes whose pitch is a range, unknown, or
  beyond the code's 19 places (9 to s, G2 to D5 in the gamut) becomes ``6------6``, the code's sign for
  missing music; the command says how many notes that hides.
* A flat is ``y``, ``i`` or ``z`` before its B, a natural the capital; both are repeated wherever a reader
  who keeps one flat for all octaves, or one for each, would otherwise go wrong.
* Liquescent heads are capitals. A division is ``3``, a double one ``4``. Clefs, custodes and the shapes of
  other heads have no sign in this code.

References
----------
.. [1] F. Weber and D. Hiley, Volpiano 2.02, Regensburg, 2003-2006; its entry rules: three hyphens after
   the clef and between words, two between syllables, one between neumes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from neumary.doubt import certain_pitch
from neumary.mei_signs import division_attributes
from neumary.order import Event, melody_events
from neumary.types import Page, Reading, Staff, Syllable

LOWEST_DEGREE: Final = 18
"""Degree of the first letter: Gamma ut, G2 in the gamut's octave (read as G3)."""

LETTERS: Final = "9abcdefghjklmnopqrs"
"""Letter of each degree from `LOWEST_DEGREE` on; there is no i."""

_LIQUESCENT: Final = ")ABCDEFGHJKLMNOPQRS"
_FLATS: Final = {20: "y", 27: "i", 34: "z"}  # B natural's degree to its flat sign
_B: Final = 6  # place of b in an octave
MISSING: Final = "6------6"
_WITHIN_SYLLABLE, _SYLLABLES, _WORDS = "-", "--", "---"


@dataclass(frozen=True, slots=True)
class StaffText:
    """The melody of one staff in letters.

    Attributes
    ----------
    staff : Staff
    melody : str
    words : str
        Syllables as known, hyphens within words; "" where there is no text.
    hidden : int
        Notes that stand as missing music.
    """

    staff: Staff
    melody: str
    words: str
    hidden: int


def staff_texts(page: Page) -> list[StaffText]:
    """Write each staff of a page in letters.

    Parameters
    ----------
    page : Page

    Returns
    -------
    list of StaffText
        In reading order; a staff without notes has the clef and the break only.
    """
    syllables = {syllable.id: syllable for syllable in page.syllables}
    staves = melody_events(page)
    texts = []
    for number, (staff, events) in enumerate(staves):
        after = next((_first_syllable(later) for _, later in staves[number + 1 :] if later), "")
        line = _Line(syllables)
        for event in events:
            line.add(staff, event)
        break_sign = "77" if number == len(staves) - 1 else "7"
        melody = "1" + line.text + line.gap_at_break(after) + break_sign
        own = [syllable for syllable in page.syllables if syllable.staff == staff.id]
        texts.append(StaffText(staff, melody, joined_words(own), line.hidden))
    return texts


def to_volpiano(page: Page) -> str:
    """Write a page as lines of letters.

    Parameters
    ----------
    page : Page

    Returns
    -------
    str
        One line per staff: page id, staff id, melody, words, parted by tabulators.
    """
    return "".join(
        f"{page.page_id}\t{text.staff.id}\t{text.melody}\t{text.words}".rstrip("\t") + "\n"
        for text in staff_texts(page)
    )


def joined_words(syllables: list[Syllable]) -> str:
    """Join syllables to words with their hyphens: ``Al-le-lu-ia ve-ni``."""
    parts = [
        syllable.text + ("-" if syllable.wordpos in ("i", "m") else " ")
        for syllable in syllables
        if syllable.text
    ]
    return "".join(parts).strip().replace("\t", " ")


def _first_syllable(events: list[Event]) -> str:
    return next((e.neume.syllable if e.neume else "" for e in events if e.is_neume), "")


class _Line:
    """The letters of one staff while they are being written."""

    def __init__(self, syllables: dict[str, Syllable]) -> None:
        self.text = ""
        self.hidden = 0
        self._syllables = syllables
        self._last: str | None = None  # syllable of the neume before; None at the clef or a division
        self._flat = False  # for readers with one flat for all octaves
        self._flats: set[int] = set()  # for readers with one flat per octave

    def add(self, staff: Staff, event: Event) -> None:
        if event.is_neume:
            syllable = event.neume.syllable if event.neume else ""
            gap, parts = self.gap(syllable), list(self._parts([r for _, r in event.signs]))
            if self.text.endswith(MISSING) and (gap, parts[0]) == (_WITHIN_SYLLABLE, MISSING):
                parts = parts[1:]  # the run goes on
            self.text += "".join([gap, "-".join(parts)]) if parts else ""
            self._last = syllable
        elif event.signs[0][1].label == "division":
            form = division_attributes(event.signs[0][0].box, staff).get("form", "")
            self.text += _WORDS + ("4" if form == "finalis" else "3")
            self._last = None

    def gap(self, after: str) -> str:
        """Hyphens between what was written last and a neume of the syllable `after`."""
        if self._last is None:
            return _WORDS
        if self._last == after:
            return _WITHIN_SYLLABLE  # also where neither has a syllable: the weakest claim
        return _WORDS if self._wordpos() in ("t", "s") else _SYLLABLES

    def gap_at_break(self, after: str) -> str:
        """Hyphens before the staff's end; `after` is the first syllable of the next staff."""
        if self._last and self._last == after:
            return _WITHIN_SYLLABLE
        return _SYLLABLES if self._wordpos() in ("i", "m") else _WORDS

    def _wordpos(self) -> str:
        syllable = self._syllables.get(self._last or "")
        return syllable.wordpos if syllable else ""

    def _parts(self, heads: list[Reading]) -> Iterator[str]:
        """Write a neume; unread notes in it stand as missing music of their own."""
        run, missing = "", False
        for reading in heads:
            letter = self._letter(reading)
            if letter is None:
                self.hidden += 1
                if run:
                    yield run
                if not missing:
                    yield MISSING
                run, missing = "", True
            else:
                run, missing = run + letter, False
        if run:
            yield run

    def _letter(self, reading: Reading) -> str | None:
        pitch = certain_pitch(reading)
        if pitch is None or pitch.degree is None:
            return None
        place = pitch.degree - LOWEST_DEGREE
        if not 0 <= place < len(LETTERS) or (pitch.alter and pitch.degree not in _FLATS):
            return None
        letter = (_LIQUESCENT if reading.label == "liquescent" else LETTERS)[place]
        return self._accidental(pitch.degree, pitch.alter) + letter if pitch.degree % 7 == _B else letter

    def _accidental(self, degree: int, alter: int) -> str:
        flat = alter < 0
        if flat == self._flat and flat == (degree in self._flats):
            return ""
        self._flat = flat
        (self._flats.add if flat else self._flats.discard)(degree)
        return _FLATS[degree] if flat else _FLATS[degree].upper()
