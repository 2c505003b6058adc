"""What breaks into a staff and is no notation: rubrics, genre signs, capitals, flourishes."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth import decor
from neumary_synth.drawn import Stand
from neumary_synth.paints import ink_sheet, page_inks
from neumary_synth.plan import Plan, StaffSlot
from neumary_synth.rubrics import draw_flourish, draw_genre_sign, draw_red_versal
from neumary_synth.script import draw_text
from neumary_synth.sheets import FlatPage, Rgb
from neumary_synth.words import WordScribe

_FLOURISHES: Final = {"margin": 0.75, "beside": 0.15, "across": 0.1}
"""Where pen work stands to the clef. On five photographed leaves it crosses none of 50 clefs and touches one,
as the letter of a rubric, from the right; 1 in 10 so that readers meet it."""


class InsertScribe(WordScribe):
    """Writes what stands inside staves beside the chant.

    Parameters
    ----------
    plan : Plan
    rng : numpy Generator
    page : FlatPage
        Receives ink.
    """

    def __init__(self, plan: Plan, rng: np.random.Generator, page: FlatPage) -> None:
        super().__init__(plan, rng, page)
        self.habits = self.style.habits

    def flourish(self, slot: StaffSlot, clef: tuple[float, float]) -> float:
        """Red or blue pen work down the left of a staff, seldom across its clef.

        Parameters
        ----------
        slot : StaffSlot
        clef : tuple of float
            Left and right edge of the clef's ink, px; where none is written, twice the column where notes
            may begin.

        Returns
        -------
        float
            Column from which notes may begin, px.
        """
        rng, s = self.rng, self.space
        pen = page_inks(self.page, rng)["red" if rng.random() < 0.75 else "blue"]
        sheet = ink_sheet(self.page, rng, "decoration", pen)
        top = slot.row - (self.style.n_lines - 1 + rng.uniform(-0.5, 2.5)) * s
        bottom = slot.row + rng.uniform(-0.5, 2.5) * s
        where = rng.choice(list(_FLOURISHES), p=list(_FLOURISHES.values()))
        col, begin = slot.left + rng.uniform(-0.9, 1.3) * s, clef[1]
        if where == "margin":
            col = clef[0] - rng.uniform(0.45, 1.6) * s
        elif where == "beside":
            col = clef[1] + rng.uniform(0.2, 0.4) * s
            begin = col + 0.35 * s
        draw_flourish(sheet, rng, top, bottom, col, s)
        return float(begin)

    def interrupt(self, slot: StaffSlot, stand: Stand, baseline: float, col: float, right: float) -> float:
        """Break into a staff with words, a genre sign or a capital that is no notation.

        Gives its right end, px.
        """
        rng, s, style = self.rng, self.space, self.style
        top, bottom = stand.row_of(2 * (style.n_lines - 1), col), stand.row_of(0, col)
        form = str(rng.choice(["words", "sign", "capital", "versal"], p=[0.25, 0.35, 0.25, 0.15]))
        col += rng.uniform(0.2, 0.7) * s
        xheight = rng.uniform(0.5, 1.2) * s
        if form == "words" and right - col > 9 * s:
            end = col + rng.uniform(2.5, 6) * s
            self.write_rubric(col, end, (top - rng.uniform(-0.5, 0.5) * s, baseline))
            return end + 0.4 * s
        if form == "capital":
            wide = rng.uniform(1.4, 3.2) * s
            box = (top - rng.uniform(-0.6, 1.2) * s, col, baseline, col + wide)
            decor.draw_capital(self.page, rng, box, s, self._capital_ink())
            return col + wide + rng.uniform(0.05, 0.3) * s
        row = baseline if rng.random() < 0.4 else rng.uniform(top + xheight, bottom + 0.5 * s)
        if form == "versal":
            return draw_red_versal(self.rubric, rng, row, col, rng.uniform(1.2, 3.0) * s, s) + 0.3 * s
        sheet = self.rubric if rng.random() < 0.8 else self.text
        return draw_genre_sign(sheet, self.script, rng, row, col, xheight) + 0.3 * s

    def beside(self, left: float, right: float, rows: tuple[float, float], baseline: float) -> None:
        """Fill the room beside a staff that ends early: words, pen bars that look like lines, or nothing."""
        rng, s = self.rng, self.space
        if right - left < 3 * s:
            return
        form = str(rng.choice(["words", "bars", "rubric", "nothing"], p=[0.35, 0.3, 0.15, 0.2]))
        if form == "bars":
            right -= rng.uniform(0, 0.2) * (right - left)
            decor.draw_filler(self.page, rng, (rows[0], left, rows[1], right), s, int(rng.integers(1, 6)))
        elif form == "rubric":
            self.write_rubric(left, right, (rows[0], baseline))
        elif form == "words":
            xheight, n = self.style.xheight * s, int(rng.integers(1, 4))
            for row in np.linspace(rows[0] + xheight, baseline, n + 1)[1:]:
                self.write_words(self.text, float(row), left, right, xheight)

    def _capital_ink(self) -> Rgb:
        """The ink of strapwork letters: the words' own, or one not far from it."""
        if self.rng.random() < 0.6:
            return self.style.text_ink
        return ink_sheet(self.page, self.rng, "decoration", (84, 62, 44)).ink

    def open_chant(self, stand: Stand, baseline: float, col: float) -> float:
        """Write a genre sign and a capital in mid-staff; give their right end."""
        rng, s = self.rng, self.space
        if rng.random() < 0.6:
            xheight = self.style.xheight * s * rng.uniform(0.9, 1.2)
            if rng.random() < 0.5:
                word = str(rng.choice(["v", "r", "p", "a", "ps", "an", "a\u0304", "inuit", "ad lau"]))
                _, col = draw_text(self.rubric.mask, self.script, rng, word, baseline, col, xheight)
            else:
                col = draw_genre_sign(self.rubric, self.script, rng, baseline, col, xheight)
            col += 0.2 * s
        wide = rng.uniform(1.4, 3.0) * s
        top = stand.row_of(2 * self.style.n_lines - 1, col) - rng.uniform(-1.3, 0.5) * s
        decor.draw_capital(self.page, rng, (top, col, baseline, col + wide), s, self._capital_ink())
        return col + wide + 0.1 * s
