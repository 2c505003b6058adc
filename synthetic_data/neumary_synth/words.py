"""Writing words: lyrics, rubrics and running text."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth import decor
from neumary_synth.melody import ChantSyllable
from neumary_synth.plan import Plan, TextSlot
from neumary_synth.rubrics import draw_genre_sign, draw_red_versal
from neumary_synth.script import Script, draw_text, sample_latin, sample_script
from neumary_synth.sheets import FlatPage, FlatSyllable, Sheet

VOWELS: Final = "aeiouyæœ"


def ink_box(sheet: Sheet, around: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """Box of the ink found inside a region; the region itself where it is bare."""
    top, left = max(int(around[0]), 0), max(int(around[1]), 0)
    part = sheet.mask[top : int(np.ceil(around[2])) + 1, left : int(np.ceil(around[3])) + 1] > 64
    rows, cols = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
    if not len(rows):
        return around
    return (
        float(top + rows[0]),
        float(left + cols[0]),
        float(top + rows[-1] + 1),
        float(left + cols[-1] + 1),
    )


class WordScribe:
    """Writes the words of one page in one script.

    Parameters
    ----------
    plan : Plan
    rng : numpy Generator
    page : FlatPage
        Receives ink and truth.
    """

    def __init__(self, plan: Plan, rng: np.random.Generator, page: FlatPage) -> None:
        self.plan, self.rng, self.page, self.style = plan, rng, page, plan.style
        self.script: Script = sample_script(int(rng.integers(2**31)))
        self.space = plan.space_px
        self.text = page.sheet("text", self.style.text_ink)
        self.rubric = page.sheet("text", self.style.rubric_ink)
        self.vowel_col = 0.0
        scratch = np.zeros((64, 400), np.uint8)
        _, end = draw_text(scratch, self.script, np.random.default_rng(0), "dominus et", 40, 0, 16)
        self.letter_px = end / 10 / 16 * self.style.xheight * self.space

    def write_syllable(
        self, staff: int, syllable: ChantSyllable, text: str, baseline: float, col: float
    ) -> float:
        """Write a syllable of lyrics; give its right end. `vowel_col` tells where its vowel stands."""
        rng, xheight = self.rng, self.style.xheight * self.space
        self.vowel_col = col
        if not text:  # its only letter is an initial
            box = (baseline - xheight, col, baseline, col)
            self.page.syllables.append(FlatSyllable(staff, syllable.text, syllable.wordpos, box))
            return col
        row = baseline + rng.normal(0, 0.015) * xheight
        letters, right = draw_text(self.text.mask, self.script, rng, text, row, col, xheight)
        self.learn_advance(len(text), (right - col) / xheight)
        vowels = [left for letter, left, _ in letters if letter.lower() in VOWELS]
        self.vowel_col = vowels[0] if vowels else col
        self.text.flow.append((row - 2 * xheight, col, row + xheight, right, rng.uniform(0.88, 1.06)))
        box = ink_box(self.text, (row - 2.2 * xheight, col, row + 1.1 * xheight, right))
        self.page.syllables.append(FlatSyllable(staff, syllable.text, syllable.wordpos, box))
        return right

    def learn_advance(self, n_letters: int, width_xheights: float) -> None:
        """Keep a running mean of how wide this script's letters are."""
        seen = width_xheights / n_letters * self.style.xheight * self.space
        self.letter_px += 0.1 * (seen - self.letter_px)

    def write_words(
        self, sheet: Sheet, baseline: float, col: float, right: float, xheight: float, marked: float = 0.0
    ) -> float:
        """Write running words from a column to about a right edge; give the end reached.

        `marked` is the chance of an abbreviation stroke over, or raised letters after, a word.
        """
        while col < right - 3 * xheight:
            word = "".join(sample_latin(self.rng, 1)[0])
            if marked and self.rng.random() < marked and len(word) > 2:
                k = int(self.rng.integers(1, len(word)))
                word = word[:k] + "\u0304" + word[k:]
            if self.rng.random() < self.style.habits.capital_letters:
                word = word.capitalize()
            advance = self.letter_px / (self.style.xheight * self.space) * xheight
            if col + len(word) * advance > right:
                word = word[: max(int((right - col) / advance), 1)]
            row = baseline + self.rng.normal(0, 0.015) * xheight
            _, end = draw_text(sheet.mask, self.script, self.rng, word, row, col, xheight)
            self.learn_advance(len(word), (end - col) / xheight)
            sheet.flow.append((row - 2 * xheight, col, row + xheight, end, self.rng.uniform(0.85, 1.05)))
            if marked and self.rng.random() < marked:
                raised = str(self.rng.choice(["a", "o", "m", "us", "is", "um", "i", "e", "or"]))
                up = baseline - xheight * self.rng.uniform(0.8, 1.2)
                _, end = draw_text(sheet.mask, self.script, self.rng, raised, up, end, 0.6 * xheight)
            col = end + xheight * self.rng.uniform(0.45, 0.8)
        return col

    def write_rubric(self, left: float, right: float, rows: tuple[float, float]) -> None:
        """Write small words inside the area of a staff, between two rows: red, some of them dark."""
        rng, s = self.rng, self.space
        n_rows = int(rng.integers(1, 6))
        leading = (rows[1] - rows[0]) / max(n_rows, 2)
        xheight = min(leading * 0.5, rng.uniform(0.45, 0.95) * s)
        marked = float(rng.uniform(0, 0.5))
        dark_from = int(rng.integers(0, n_rows)) if rng.random() < 0.4 else n_rows
        for i in range(n_rows):
            row, col = rows[0] + (i + 0.75) * leading, left + rng.uniform(0, 0.5) * s
            sheet = self.text if i >= dark_from else self.rubric
            if rng.random() < 0.25:
                col = draw_red_versal(self.rubric, rng, row, col, xheight * rng.uniform(1.3, 2.6), s)
            if rng.random() < 0.25:
                col = draw_genre_sign(self.rubric, self.script, rng, row, col, xheight) + 0.2 * s
            self.write_words(sheet, row, col, right, xheight, marked)

    def write_text(self, slot: TextSlot) -> None:
        """Write a block of running text, with a small initial, and a filler where it ends short."""
        rng, s = self.rng, self.space
        xheight = self.style.xheight * s * rng.uniform(0.85, 1.05)
        indent = 0.0
        if slot.initial and slot.n_lines > 1:
            indent = min(rng.uniform(1.6, 2.6) * slot.leading, 0.4 * (slot.right - slot.left))
            top = slot.row - 0.75 * slot.leading
            decor.draw_initial(
                self.page, rng, (top, slot.left, top + 1.9 * slot.leading, slot.left + indent * 0.9), s
            )
        for i in range(slot.n_lines):
            row = slot.row + i * slot.leading
            left = slot.left + (indent if i < 2 else 0.0)
            last = i == slot.n_lines - 1
            right = slot.right if not last else left + rng.uniform(0.2, 1.0) * (slot.right - left)
            sheet = self.rubric if rng.random() < 0.04 else self.text
            end = self.write_words(sheet, row, left, right, xheight)
            if last and slot.right - end > 3 * s and rng.random() < 0.7:
                decor.draw_filler(self.page, rng, (row - xheight, end, row, slot.right), s)
