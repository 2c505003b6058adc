"""A page of words with staffless neumes over them: lines of several sizes and colours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from neumary_synth import decor
from neumary_synth.hand import sample_hand
from neumary_synth.lineless import CONTOURS, SignPen, draw_signs
from neumary_synth.melody import ChantNeume, ChantSyllable, Note, sample_chant
from neumary_synth.pen import fill
from neumary_synth.plan import Plan, StaffSlot, ink
from neumary_synth.script import draw_text, sample_script
from neumary_synth.sheets import FlatPage, FlatSign, FlatStaff
from neumary_synth.words import VOWELS, WordScribe


class AccentScribe(WordScribe):
    """Writes words with staffless neumes over them, and significative letters beside some."""

    def __init__(self, plan: Plan, rng: np.random.Generator, page: FlatPage) -> None:
        super().__init__(plan, rng, page)
        self._choose_script(int(rng.integers(2**31)))
        self._set_small(float(rng.uniform(0.62, 1.0)))
        self.hand = sample_hand(int(rng.integers(2**31)), "staffless")
        colour = self.style.music_ink
        if rng.random() < 0.55:  # a finer pen in a paler ink, often by another scribe
            colour = ink(rng, (58, 44, 34), (165, 105, 62))
        self.music = page.sheet("music", colour)
        self.size = float(np.clip(rng.uniform(1.05, 2.2) * self.style.xheight, 0.65, 1.4)) * self.space
        self.lettered = float(rng.choice([0.0, rng.uniform(0.05, 0.6)], p=[0.3, 0.7]))
        self.climb = float(rng.choice([0.0, rng.uniform(0.02, 0.2)]))
        self.capitals = int(rng.integers(1, 5)) if rng.random() < 0.35 else 0
        self.banded = bool(rng.random() < 0.5)
        self.rubrics = float(rng.choice([0.0, rng.uniform(0.05, 0.3)]))
        self.silent = float(rng.choice([0.0, rng.uniform(0.03, 0.2)]))
        self.drift = float(rng.uniform(-0.2, 0.05))  # of a row of neumes over one syllable, in signs
        self.rare = float(rng.uniform(0.0, 0.6))
        self.waiting: list[ChantSyllable] = []
        self.n_neumes = self.n_rows = 0
        self.lift = rng.uniform(0.6, 1.5)  # of the signs' middle over the words, in signs

    def _choose_script(self, seed: int) -> None:
        """Mostly a round bookhand: what was usual before staff lines were."""
        choice = np.random.default_rng([seed, 37])
        if choice.random() < 0.3:
            return
        script = next(
            made for made in (sample_script(seed + k) for k in range(100)) if made.kind == "bookhand"
        )
        wide = float(choice.uniform(0.6, 0.95))
        self.script = replace(
            script, minim=wide, gap=float(choice.uniform(0.5, 0.85)), nib=float(choice.uniform(0.16, 0.32)),
            slant=float(choice.normal(0.03, 0.06)), ascender=float(choice.uniform(0.95, 1.25)),
        )  # fmt: skip
        scratch = np.zeros((64, 600), np.uint8)
        _, end = draw_text(scratch, self.script, np.random.default_rng(0), "dominus et", 40, 0, 16)
        self.letter_px = end / 10 / 16 * self.style.xheight * self.space

    def _set_small(self, factor: float) -> None:
        """The page's own size of writing: lines stand further apart than on pages with staves."""
        self.style = replace(self.style, xheight=self.style.xheight * factor)
        self.letter_px *= factor
        self.page_style, self.page_letter_px = self.style, self.letter_px

    def _set_size(self, factor: float) -> None:
        """Write smaller or larger than the page's own size."""
        self.style = replace(self.page_style, xheight=self.page_style.xheight * factor)
        self.letter_px = self.page_letter_px * factor

    def _dress(self, slot: StaffSlot, baseline: float) -> bool:
        """Choose the size of a row; whether its words are in capitals."""
        rng = self.rng
        display = self.n_rows < self.capitals
        self._set_size(float(rng.uniform(0.75, 1.05)) if display else 1.0)
        if not display and rng.random() < 0.08:
            self._set_size(float(rng.uniform(0.55, 0.8)))
        if display and self.banded:
            tint = ink(rng, *[((96, 112, 120), (150, 160, 150)), ((150, 80, 78), (190, 120, 110)),
                              ((120, 150, 110), (160, 170, 120))][int(rng.integers(3))])  # fmt: skip
            top = baseline - rng.uniform(1.6, 5.5) * self.style.xheight * self.space
            right = slot.right + rng.uniform(0.2, 1.0) * self.space
            box = [(top, slot.left), (top, right), (baseline + 0.4 * self.space, right),
                   (baseline + 0.4 * self.space, slot.left)]  # fmt: skip
            fill(self.page.sheet("decoration", tint).mask, np.array(box), int(rng.integers(120, 230)))
        return display

    def write_staff(self, slot: StaffSlot, following: StaffSlot | None = None) -> None:
        """Write one line of words with its neumes; `slot.row` is the middle of the neumes."""
        rng, s = self.rng, self.space
        baseline = slot.row + self.page_style.baseline * s
        capitals = self._dress(slot, baseline)
        self.n_rows += 1
        if rng.random() < self.silent:
            xheight = self.style.xheight * s
            self.write_words(self.text, baseline, slot.left, slot.right, xheight, 0.1)
            return
        over = self.style.xheight * s + (self.lift + 0.6) * self.size
        area = (baseline - over, slot.left - 0.5 * s, baseline - self.style.xheight * s,
                slot.right + 0.5 * s)  # fmt: skip
        self.page.staves.append(FlatStaff((), s, slot.column, "staffless", area))
        staff = len(self.page.staves) - 1
        pen = SignPen(self.page, self.music, self.hand, self.size, staff, climb=self.climb)
        col = note_end = slot.left
        if slot.initial is not None:
            decor.draw_initial(self.page, rng, slot.initial, s)
            col = note_end = max(slot.initial[3] + 0.2 * s, col)
        if rng.random() < self.rubrics:
            end = col + rng.uniform(0.1, 0.4) * (slot.right - col)
            col = self.write_words(self.rubric, baseline, col, end, self.style.xheight * s, 0.3) + 0.3 * s
        self._sing(slot, staff, pen, baseline, col, note_end, capitals)

    def _sing(
        self, slot: StaffSlot, staff: int, pen: SignPen, baseline: float, col: float, note_end: float,
        capitals: bool,
    ) -> None:  # fmt: skip
        rng, s = self.rng, self.space
        wide = 1.45 if capitals else 1.0
        while True:
            if not self.waiting:
                self.waiting = [self._varied(x) for x in sample_chant(rng, None, 40).syllables]
            syllable = self.waiting[0]
            text = syllable.text.upper() if capitals else syllable.text
            per_note = 0.55 * self.size * sum(len(n.notes) for n in syllable.neumes)
            lead = next((i for i, ch in enumerate(text) if ch.lower() in VOWELS), 0) * wide * self.letter_px
            if syllable.wordpos in ("i", "s"):
                col += self.style.word_gap * s
            col = max(col, note_end + 0.2 * s - lead)
            if col + max(len(text) * wide * self.letter_px, lead + per_note) > slot.right + s:
                if per_note > 0.7 * (slot.right - slot.left):
                    self.waiting.pop(0)
                    continue
                return
            self.waiting.pop(0)
            col = self.write_syllable(staff, syllable, text, baseline, col)
            if capitals:
                col += rng.uniform(0.1, 0.5) * s
            note_end = self._write_signs(slot, staff, pen, syllable, max(self.vowel_col, note_end + 0.1 * s))

    def _varied(self, syllable: ChantSyllable) -> ChantSyllable:
        """The syllable with some neumes of other contours: melodies alone make some signs too rare."""
        rng = self.rng
        neumes = []
        for neume in syllable.neumes:
            if rng.random() < self.rare:
                moves = str(rng.choice(CONTOURS))
                steps = np.cumsum([0, *({"U": 1, "D": -1, "S": 0}[move] for move in moves)])
                degree = neume.notes[0].degree
                neume = ChantNeume(tuple(Note(degree + int(step)) for step in steps))
            neumes.append(neume)
        return replace(syllable, neumes=tuple(neumes))

    def _write_signs(
        self, slot: StaffSlot, staff: int, pen: SignPen, syllable: ChantSyllable, col: float
    ) -> float:
        rng, number = self.rng, len(self.page.syllables) - 1
        over = self.style.xheight * self.space + self.lift * self.size
        pen_row = slot.row + self.page_style.baseline * self.space - over
        drift = 0.0
        for neume in syllable.neumes:
            row = pen_row + (drift + rng.normal(0, 0.1)) * self.size
            drift = float(np.clip(drift + rng.normal(self.drift, 0.15), -0.7, 0.35))
            began = col
            notes, col = draw_signs(pen, rng, row, col, neume)
            for drawn, move in notes:
                sign = FlatSign(drawn, staff, None, neume=self.n_neumes, syllable=number, contour=move)
                self.page.signs.append(sign)
            self.n_neumes += 1
            if rng.random() < self.lettered:  # a letter beside the sign is no note
                if rng.random() < 0.65:
                    above = row - rng.uniform(0.45, 0.95) * self.size
                    pen.letters(rng, above, rng.uniform(began, max(col - 0.3 * self.size, began)))
                else:
                    beside = row + rng.normal(0, 0.3) * self.size
                    col = pen.letters(rng, beside, col - 0.1 * self.size) + 0.1 * self.size
        return col
