"""Staffless neumes: over the words with no staff at all, or as extra layers round a staff.

A staffless sign stands for one note or several. The truth gives one glyph for each note,
snapped to the sign's ink, with the sign's contour and no pitch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from neumary_synth import decor
from neumary_synth.drawn import Drawn
from neumary_synth.hand import Hand, sample_hand
from neumary_synth.melody import ChantNeume, ChantSyllable, sample_chant
from neumary_synth.plan import Plan, StaffSlot
from neumary_synth.sheets import FlatPage, FlatSign, FlatStaff, Sheet
from neumary_synth.signs import Stand
from neumary_synth.staffless import SIGNIFICATIVE_LETTERS, draw_staffless
from neumary_synth.words import VOWELS, WordScribe

# contour of a group of notes -> signs that may stand for it
_SIGNS: Final[dict[str, tuple[str, ...]]] = {
    "": ("virga", "punctum", "tractulus", "virga", "virga with episema", "oriscus", "stropha"),
    "U": ("pes", "epiphonus"),
    "D": ("clivis", "clivis with episema", "cephalicus"),
    "S": ("distropha", "pressus"),
    "UD": ("torculus",),
    "DU": ("porrectus",),
    "UU": ("scandicus", "quilisma"),
    "DD": ("climacus",),
    "SS": ("tristropha",),
    "SD": ("trigon",),
    "DUD": ("porrectus flexus",),
}
# heights of the notes inside a sign, 0 = foot, 1 = top
_HEIGHTS: Final[dict[str, tuple[float, ...]]] = {
    "U": (0.15, 0.95),
    "D": (0.9, 0.05),
    "S": (0.5, 0.5),
    "UD": (0.3, 0.95, 0.05),
    "DU": (0.9, 0.15, 0.95),
    "UU": (0.05, 0.4, 0.95),
    "DD": (0.95, 0.4, 0.1),
    "SS": (0.5, 0.5, 0.5),
    "SD": (0.8, 0.8, 0.1),
    "DUD": (0.9, 0.15, 0.9, 0.05),
}
_LABELS: Final = {"tractulus": "punctum", "quilisma": "quilisma", "oriscus": "oriscus", "pressus": "oriscus",
                  "stropha": "stropha", "distropha": "stropha", "tristropha": "stropha", "trigon": "punctum",
                  "cephalicus": "liquescent", "epiphonus": "liquescent", "punctum": "punctum",
                  "climacus": "punctum", "scandicus": "punctum"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class AccentRow:
    """Extra layers of staffless signs round a staff: heights in spaces."""

    upper: float  # above the top line; 0 = no such layer
    lower: float  # below the bottom line; 0 = no such layer
    size: float

    @classmethod
    def sample(cls, rng: np.random.Generator) -> AccentRow:
        """Draw which layers a page has; never none."""
        both = rng.random() < 0.6
        upper = rng.uniform(2.6, 3.2) if both or rng.random() < 0.6 else 0.0
        return cls(upper, rng.uniform(2.0, 2.4) if both or not upper else 0.0, rng.uniform(0.8, 1.1))


def _contours(degrees: Sequence[int]) -> list[str]:
    """Cut a neume's moves into contours that one sign can show."""
    moves = ["U" if b > a else "D" if b < a else "S" for a, b in pairwise(degrees)]
    cut, held = [], ""
    for move in [*moves, "|"]:
        if move != "|" and held + move in _SIGNS:
            held += move
        else:
            cut.append(held)
            held = ""
    return cut


def draw_signs(
    sheet: Sheet,
    hand: Hand,
    rng: np.random.Generator,
    row: float,
    col: float,
    size_px: float,
    neume: ChantNeume,
) -> tuple[list[tuple[Drawn, str]], float]:
    """Draw a neume as staffless signs, in place.

    Returns
    -------
    notes : list of (Drawn, str)
        One for each note, on the sign's ink, with its move against the note before it in
        the neume ("" for the first, else "u", "d" or "s").
    right : float
        Right end, px.
    """
    degrees = [note.degree for note in neume.notes]
    notes: list[tuple[Drawn, str]] = []
    at = 0
    for contour in _contours(degrees):
        n = len(contour) + 1
        name = str(rng.choice(list(_SIGNS[contour])))
        drawn, right = draw_staffless(sheet.mask, hand, rng, row, col, size_px, name)
        for k, head in enumerate(_heads(sheet, drawn, contour, name, first=at == 0)):
            move = ""
            if at + k:
                before, after = degrees[at + k - 1], degrees[at + k]
                move = "u" if after > before else "d" if after < before else "s"
            notes.append((head, move))
        at += n
        col = right + rng.uniform(0.1, 0.3) * size_px
    return notes, col


def _heads(sheet: Sheet, drawn: Drawn, contour: str, name: str, first: bool) -> list[Drawn]:
    """One `Drawn` for each note of a sign, its centre moved to the nearest ink."""
    heights = _HEIGHTS.get(contour, (0.5,))
    label = _LABELS.get(name, "virga")
    top, left = int(drawn.top), int(drawn.left)
    part = sheet.mask[top : int(drawn.bottom) + 1, left : int(drawn.right) + 1]
    inked = np.argwhere(part > 100)
    n, wide = len(heights), drawn.right - drawn.left
    made = []
    for k, height in enumerate(heights):
        want = np.array(
            [drawn.bottom - height * (drawn.bottom - drawn.top), drawn.left + (k + 0.5) / n * wide]
        )
        if len(inked):
            spots = inked + np.array([top, left])
            want = spots[np.argmin(((spots - want) ** 2).sum(axis=1))].astype(float)
        slice_left, slice_right = drawn.left + k / n * wide, drawn.left + (k + 1) / n * wide
        slice_left, slice_right = min(slice_left, want[1] - 1), max(slice_right, want[1] + 1)
        made.append(
            Drawn(
                label, want[0], want[1], drawn.top, slice_left, drawn.bottom, slice_right, 0, first and k == 0
            )
        )
    return made


def draw_accents(
    sheet: Sheet,
    hand: Hand,
    rng: np.random.Generator,
    row: AccentRow,
    stand: Stand,
    left: float,
    neume: ChantNeume,
) -> list[tuple[Drawn, str, str]]:
    """Draw the extra layers over and under a neume that begins at a column, in place.

    Returns
    -------
    list of (Drawn, str, str)
        Each note on the sign's ink, its move as in `draw_signs`, and its layer.
    """
    s, top = stand.space_px, 2 * (stand.n_lines - 1)
    places = (("upper", stand.row_of(top + 2 * row.upper, left), row.upper),
              ("lower", stand.row_of(-2 * row.lower, left), row.lower))  # fmt: skip
    made = []
    for layer, at, wanted in places:
        if wanted:
            notes, _ = draw_signs(sheet, hand, rng, at, left, row.size * s, neume)
            made += [(drawn, move, layer) for drawn, move in notes]
    return made


class AccentScribe(WordScribe):
    """Writes words with staffless neumes over them, and significative letters beside some."""

    def __init__(self, plan: Plan, rng: np.random.Generator, page: FlatPage) -> None:
        super().__init__(plan, rng, page)
        self.hand = sample_hand(int(rng.integers(2**31)), "staffless")
        self.music = page.sheet("music", self.style.music_ink)
        self.size = rng.uniform(0.75, 1.15) * self.space
        self.lettered = float(rng.choice([0.0, rng.uniform(0.1, 0.5)]))
        self.waiting: list[ChantSyllable] = []
        self.n_neumes = 0

    def write_staff(self, slot: StaffSlot, following: StaffSlot | None = None) -> None:
        """Write one line of words with its neumes; `slot.row` is the middle of the neumes."""
        rng, s = self.rng, self.space
        baseline = slot.row + self.style.baseline * s
        area = (
            slot.row - 1.1 * s,
            slot.left - 0.5 * s,
            baseline - self.style.xheight * s,
            slot.right + 0.5 * s,
        )
        self.page.staves.append(FlatStaff((), s, slot.column, "staffless", area))
        staff = len(self.page.staves) - 1
        col = note_end = slot.left
        if slot.initial is not None:
            decor.draw_initial(self.page, rng, slot.initial, s)
            col = note_end = max(slot.initial[3] + 0.2 * s, col)
        while True:
            if not self.waiting:
                self.waiting = list(sample_chant(rng, None, 40).syllables)
            syllable = self.waiting[0]
            per_note = 0.55 * self.size * sum(len(n.notes) for n in syllable.neumes)
            lead = next((i for i, ch in enumerate(syllable.text) if ch in VOWELS), 0) * self.letter_px
            if syllable.wordpos in ("i", "s"):
                col += self.style.word_gap * s
            col = max(col, note_end + 0.2 * s - lead)
            if col + max(len(syllable.text) * self.letter_px, lead + per_note) > slot.right + s:
                if per_note > 0.7 * (slot.right - slot.left):
                    self.waiting.pop(0)
                    continue
                return
            self.waiting.pop(0)
            col = self.write_syllable(staff, syllable, syllable.text, baseline, col)
            note_end = self._write_signs(slot, staff, syllable, max(self.vowel_col, note_end + 0.1 * s))

    def _write_signs(self, slot: StaffSlot, staff: int, syllable: ChantSyllable, col: float) -> float:
        rng, number = self.rng, len(self.page.syllables) - 1
        for neume in syllable.neumes:
            row = slot.row + rng.normal(0, 0.12) * self.space
            notes, col = draw_signs(self.music, self.hand, rng, row, col, self.size, neume)
            for drawn, move in notes:
                sign = FlatSign(drawn, staff, None, neume=self.n_neumes, syllable=number, contour=move)
                self.page.signs.append(sign)
            self.n_neumes += 1
            if rng.random() < self.lettered:  # a letter beside the sign is no note
                letter = f"letter {rng.choice(list(SIGNIFICATIVE_LETTERS))}"
                above = row - rng.uniform(0.5, 0.9) * self.size
                draw_staffless(
                    self.music.mask, self.hand, rng, above, col - 0.3 * self.size, self.size, letter
                )
        return col
