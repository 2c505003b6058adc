"""A page of words with staffless neumes over them: lines of several sizes and colours."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from neumary_synth import decor
from neumary_synth.hand import sample_hand
from neumary_synth.lineless import CONTOURS, SignPen, draw_signs
from neumary_synth.melody import ChantNeume, ChantSyllable, Note, sample_chant
from neumary_synth.openings import Opening, draw_band, draw_panel, left_of_words
from neumary_synth.plan import Plan, StaffSlot, ink
from neumary_synth.script import draw_text, sample_script
from neumary_synth.sheets import FlatPage, FlatSign, FlatStaff
from neumary_synth.words import VOWELS, WordScribe

_CAPITAL: Final = 1.45  # height of capitals, in x-heights


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
        self.opening = Opening.sample(rng)
        self.on_bands = page.sheet("music", ink(rng, (30, 28, 28), (70, 60, 56)))
        self.dark_on_bands = bool(rng.random() < 0.6)
        self.plain_text, self.panel_right = self.text, 0.0
        self.raise_px = self._raised(plan) if rng.random() < 0.3 else 0.0
        self.sizes = float(rng.uniform(0.0, 0.14))  # how unlike in size the signs of a row are
        self.pale = float(rng.uniform(0.45, 0.9)) if rng.random() < 0.3 else 1.0
        self.rubrics = float(rng.choice([0.0, rng.uniform(0.05, 0.3)]))
        self.silent = float(rng.choice([0.0, rng.uniform(0.03, 0.2)]))
        self.drift = float(rng.uniform(-0.2, 0.05))  # of a row of neumes over one syllable, in signs
        self.rare = float(rng.uniform(0.0, 0.6))
        more = self.more = np.random.default_rng([self.hand.seed, 41])
        self.wander = float(more.uniform(0.2, 0.4)) if more.random() < 0.4 else 0.15  # of neumes' heights
        self.crowd = float(more.uniform(0.1, 0.5)) if more.random() < 0.5 else 0.0
        self.low = float(more.uniform(0.1, 0.5)) if more.random() < 0.6 else 0.0  # letters under signs
        self.taken = False  # a line's room, by the tall one before it
        self.own = 1.0  # size of a row's signs against the page's
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

    def _raised(self, plan: Plan) -> float:
        """How far all rows move up so that the first stands close to the leaf's edge, px."""
        if plan.texts or plan.pictures or not plan.staves:
            return 0.0
        over = (self.style.xheight + 0.5) * self.space + 2.2 * self.size
        first = min(slot.row for slot in plan.staves) + self.style.baseline * self.space - over
        if self.opening.grand:
            first += (1 - self.opening.grand) * self.style.pitch * self.space
        return max(0.0, float(first - plan.leaf[0] - self.rng.uniform(0.1, 1.5) * self.space))

    def _placed(self, slot: StaffSlot) -> StaffSlot:
        """The row moved up with the others; beside a huge initial where the page has one."""
        initial, up = slot.initial, self.raise_px
        if initial is not None:
            initial = (initial[0] - up, initial[1], initial[2] - up, initial[3])
        slot = replace(slot, row=slot.row - up, initial=initial)
        if not self.opening.beside or self.n_rows >= self.opening.lines or slot.column:
            return slot
        left = left_of_words(self.opening, slot.left, slot.right, self.space)
        if not self.n_rows and left > slot.left + 2 * self.space:
            self.panel_right = left
            self._draw_panel(slot, left)
        return replace(slot, left=max(slot.left, self.panel_right), initial=None)

    def _draw_panel(self, slot: StaffSlot, right: float) -> None:
        rng, s = self.rng, self.space
        rows = [other.row - self.raise_px for other in self.plan.staves if other.column == slot.column]
        last = rows[min(self.opening.rows, len(rows)) - 1] + self.page_style.baseline * s
        top = max(self.plan.leaf[0], slot.row - rng.uniform(1.0, 4.0) * s)
        tail = rng.uniform(last, max(self.plan.frame[2], last + 1)) if self.opening.tail else None
        outside = rng.uniform(1.5, 3.5) if tail else rng.uniform(0.0, 3.0)
        box = (top, slot.left - outside * s, last + rng.uniform(-1, 1) * s,
               right - rng.uniform(0.2, 1.2) * s)  # fmt: skip
        draw_panel(self.page, rng, box, tail, s)

    def _dress(self, slot: StaffSlot, baseline: float, grand: bool) -> bool:
        """Choose the size of a row and what lies under it; whether its words are in capitals."""
        rng, opening, s = self.rng, self.opening, self.space
        display = self.n_rows < opening.lines
        self.text, self.own = self.plain_text, 1.0
        tall = opening.grand * self.page_style.pitch / (_CAPITAL * self.page_style.xheight)
        self._set_size(tall if grand else float(rng.uniform(0.75, 1.05)) if display else 1.0)
        if not display:
            if rng.random() < 0.08:
                self._set_size(float(rng.uniform(0.55, 0.8)))
            return False
        self.own = float(rng.uniform(0.75, 1.2) if grand else rng.uniform(0.95, 1.4))
        right = slot.right + rng.uniform(0.2, 1.0) * s
        high = baseline - rng.uniform(1.3, 1.7) * self.style.xheight * s
        if opening.word_tints:
            tint = opening.word_tints[self.n_rows % 2]
            under = baseline + rng.uniform(0.3, 0.5) * s
            draw_band(self.page, rng, tint, (high, slot.left - 0.3 * s, under, right), s)
        if opening.sign_tints:
            top = high - (self.lift + 0.7) * self.own * self.size
            if grand:
                top = min(top, high - rng.uniform(0.8, 1.0) * self.page_style.pitch * s)
            tint = opening.sign_tints[self.n_rows % 2]
            draw_band(self.page, rng, tint, (top, slot.left - 0.3 * s, high, right), s)
        if opening.body is not None:
            self.text = self.page.sheet("text", opening.body, opaque=True)
        return True

    def write_staff(self, slot: StaffSlot, following: StaffSlot | None = None) -> None:
        """Write one line of words with its neumes; `slot.row` is the middle of the neumes."""
        rng, s = self.rng, self.space
        if self.taken:
            self.taken = False
            return
        slot = self._placed(slot)
        baseline = slot.row + self.page_style.baseline * s
        grand = bool(self.opening.grand) and self.n_rows < self.opening.lines
        grand = self.taken = grand and following is not None and following.column == slot.column
        if grand and following is not None:
            baseline = following.row - self.raise_px + self.page_style.baseline * s
        capitals = self._dress(slot, baseline, grand)
        self.n_rows += 1
        if rng.random() < self.silent:
            xheight = self.style.xheight * s
            self.write_words(self.text, baseline, slot.left, slot.right, xheight, 0.1)
            return
        words = self.style.xheight * s * (_CAPITAL if grand else 1.0)
        area = (baseline - words - (self.lift + 0.6) * self.size, slot.left - 0.5 * s, baseline - words,
                slot.right + 0.5 * s)  # fmt: skip
        self.page.staves.append(FlatStaff((), s, slot.column, "staffless", area))
        staff = len(self.page.staves) - 1
        sheet = self.on_bands if capitals and self.opening.sign_tints and self.dark_on_bands else self.music
        pen = SignPen(
            self.page, sheet, self.hand, self.own * self.size, staff, climb=self.climb, spread=self.sizes,
            density=self.pale,
        )  # fmt: skip
        col = note_end = slot.left
        if slot.initial is not None:
            decor.draw_initial(self.page, rng, slot.initial, s)
            col = note_end = max(slot.initial[3] + 0.2 * s, col)
        if rng.random() < self.rubrics:
            end = col + rng.uniform(0.1, 0.4) * (slot.right - col)
            col = self.write_words(self.rubric, baseline, col, end, self.style.xheight * s, 0.3) + 0.3 * s
        self._sing(slot, staff, pen, baseline, baseline - words, col, note_end, capitals)

    def _sing(
        self, slot: StaffSlot, staff: int, pen: SignPen, baseline: float, words_top: float, col: float,
        note_end: float, capitals: bool,
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
                col += rng.uniform(0.3, 1.2) * self.opening.spread * s
            begin = max(self.vowel_col, note_end + 0.1 * s)
            note_end = self._write_signs(words_top, staff, pen, syllable, begin)

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
        self, words_top: float, staff: int, pen: SignPen, syllable: ChantSyllable, col: float
    ) -> float:
        rng, number = self.rng, len(self.page.syllables) - 1
        pen_row = words_top - self.lift * self.size
        highest, lowest = (-1.1, 0.5) if self.wander > 0.15 else (-0.7, 0.35)
        drift = 0.0
        for neume in syllable.neumes:
            row = pen_row + (drift + rng.normal(0, 0.1)) * self.size
            drift = float(np.clip(drift + rng.normal(self.drift, self.wander), highest, lowest))
            began = col
            notes, col = draw_signs(pen, rng, row, col, neume)
            for drawn, move in notes:
                sign = FlatSign(drawn, staff, None, neume=self.n_neumes, syllable=number, contour=move)
                self.page.signs.append(sign)
            self.n_neumes += 1
            if rng.random() < self.lettered:  # a letter beside the sign is no note
                col = self._add_letters(pen, row, began, col)
            elif self.more.random() < self.crowd and notes[-1][0].top > row - 0.35 * self.size:
                drift = max(drift - float(self.more.uniform(0.4, 0.8)), -1.1)  # the next half over it
                col = max(began, col - float(self.more.uniform(0.1, 0.4)) * self.size)
        return col

    def _add_letters(self, pen: SignPen, row: float, began: float, col: float) -> float:
        """Write letters under, over or behind a sign; give the right end."""
        rng, more, size = self.rng, self.more, self.size
        if more.random() < self.low:
            under = row + more.uniform(0.45, 0.9) * size
            pen.letters(more, under, began + more.uniform(-0.6, 0.3) * size)
            if more.random() < 0.6:
                return col
        if rng.random() < 0.65:
            above = row - rng.uniform(0.45, 0.95) * size
            pen.letters(rng, above, rng.uniform(began, max(col - 0.3 * size, began)))
            return col
        beside = row + rng.normal(0, 0.3) * size
        return pen.letters(rng, beside, col - 0.1 * size) + 0.1 * size
