"""Writing a page: staves ruled, chant and lyrics set on them as a scribe would.

Text and notes are written together, syllable by syllable: the neume stands over its
vowel, a melisma pushes the next syllable away or runs on to the next staff, and a staff
ends where the next syllable finds no room.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth import decor
from neumary_synth.edge_letters import EdgeLetters, with_letters, write_letters
from neumary_synth.hand import Hand, sample_hand
from neumary_synth.lineless import AccentRow, draw_accents
from neumary_synth.loose_grid import Looseness, loose_rows
from neumary_synth.melody import B_DEGREE, Note, choose_clef
from neumary_synth.paints import ink_sheet
from neumary_synth.plan import COLOURED_KINDS, Plan, StaffSlot, ink
from neumary_synth.ruled import CLEF_DEGREE, RuledScribe
from neumary_synth.sheets import FlatPage, FlatSign, Rgb
from neumary_synth.signs import (
    Drawn,
    Stand,
    draw_accidental,
    draw_clef,
    draw_custos,
    draw_division,
    draw_neume,
)
from neumary_synth.sung import RUNS_ON, ChantQueue, Sung
from neumary_synth.words import VOWELS

_DRY: Final = 65  # coverage of 255: dry lines easily seen would make four lines of one or two
_UNSEEN: Final = 40  # the same where there are no others: four of them would be a staff


class Scribe(RuledScribe):
    """Writes one page in one hand.

    Parameters
    ----------
    plan : Plan
    rng : numpy Generator
    page : FlatPage
        Receives ink and truth.
    """

    def __init__(self, plan: Plan, rng: np.random.Generator, page: FlatPage) -> None:
        super().__init__(plan, rng, page)
        temper = "printed" if self.habits.printed and self.style.notation == "square" else None
        self.hand: Hand = sample_hand(int(rng.integers(2**31)), self.style.notation, temper)
        self.music = page.sheet("music", self.style.music_ink)
        self.main, self.later = self.music, False
        self.queue = ChantQueue(rng, self.habits)
        self.clef: tuple[str, int] = ("clef_c", self.style.n_lines)
        self.fullness = self.paleness = 1.0
        self.flat_scope_word = bool(rng.random() < 0.4)
        self.flats: set[int] = set()
        self.n_neumes, self.note_end = 0, 0.0
        self.accents = AccentRow.sample(rng) if plan.kind == "layered" else None
        self.letter_clefs = rng.random() < 0.75  # on coloured lines
        self.dry_strength = int(rng.integers(25, _DRY)) if rng.random() < 0.5 else 0
        self.edge = EdgeLetters.sample(rng) if plan.kind == "letters" else None
        if self.edge is not None:
            self.hand = with_letters(self.hand)
            self.dry_strength = min(self.dry_strength, _UNSEEN)
        self.loose = Looseness.sample(rng) if plan.kind in COLOURED_KINDS else None

    # -- ink and signs -------------------------------------------------------------------

    def _take_over(self) -> None:
        """A later hand goes on: paler ink, long obliques and stems, no words."""
        self.later = True
        hand = sample_hand(int(self.rng.integers(2**31)), "square", "late")
        self.hand = hand if self.edge is None else with_letters(hand)
        self.main = self.music = self.page.sheet("music", ink(self.rng, (88, 66, 44), (150, 122, 88)))

    def _dip(self) -> float:
        dip = self.style.dip
        self.fullness -= dip * self.rng.uniform(0, 0.35)
        if self.fullness < 1 - dip or self.rng.random() < 0.2:
            self.fullness = 1.0
        return self.fullness

    def keep(
        self,
        drawn: Drawn,
        staff: int,
        degree: int | None,
        alter: int = 0,
        neume: int = -1,
        syllable: int = -1,
    ) -> None:
        """Put a drawn sign down in the truth and in the ink's flow."""
        density = self._dip() * self.rng.uniform(0.94, 1.04) * self.paleness
        self.music.flow.append((drawn.top, drawn.left, drawn.bottom, drawn.right, density))
        step: int | None = drawn.step
        if drawn.label == "division" or self.plan.kind in COLOURED_KINDS:
            step = None
        self.page.signs.append(FlatSign(drawn, staff, step, degree, alter, neume, syllable))

    def _write_edge(self, edge: EdgeLetters, stand: Stand, staff: int, slot: StaffSlot) -> None:
        """Write the letters at the edge of a line of neumes without staff lines."""
        left = slot.left if slot.initial is None else min(slot.left, slot.initial[1])
        mask, hand = self.music.mask, self.hand
        for drawn in write_letters(
            mask, hand, self.rng, stand, edge, left, lambda name: self.step(CLEF_DEGREE[f"clef_{name}"])
        ):
            self.keep(drawn, staff, None)

    def _as_guided(self, stand: Stand, slot: StaffSlot, right: float) -> Stand:
        """The staff as heads are set on it: loosely where no line guides the eye."""
        if self.loose is None:
            return stand
        if self.edge is not None:
            guides = [self.step(CLEF_DEGREE[f"clef_{letter}"]) for letter in self.edge.letters]
        else:
            guides = [2 * line for line in range(stand.n_lines) if self.line_colour(line)]
        if not guides:
            return stand
        span, inked = (slot.left, right), self.edge is None
        rows = loose_rows(stand.row_of, self.loose, guides, inked, span, stand.space_px, self.rng)
        return Stand(stand.space_px, stand.n_lines, rows)

    def write_clef(self, stand: Stand, staff: int, col: float) -> float:
        """Write the clef in force; sometimes a second one that agrees with it."""
        label, line = self.clef
        other, at = ("clef_f", line - 2) if label == "clef_c" else ("clef_c", line + 2)
        paired = label in ("clef_c", "clef_f") and 1 <= at <= stand.n_lines
        coloured = self.plan.kind in COLOURED_KINDS
        if coloured and not self.letter_clefs:
            return col
        drawn, right = draw_clef(self.music.mask, self.hand, self.rng, stand, col, label, line)
        self.keep(drawn, staff, None)
        if paired and self.rng.random() < (0.85 if coloured else self.habits.both_clefs):
            drawn, second = draw_clef(self.music.mask, self.hand, self.rng, stand, col, other, at)
            self.keep(drawn, staff, None)
            right = max(right, second)
        return right

    def _write_accidentals(self, stand: Stand, staff: int, col: float, notes: tuple[Note, ...]) -> float:
        for note in notes:
            if note.alter < 0 and note.degree not in self.flats:
                label, self.flats = "flat", self.flats | {note.degree}
            elif note.alter == 0 and note.degree in self.flats:
                label, self.flats = "natural", self.flats - {note.degree}
            elif (note.alter, note.degree % 7) == (
                0,
                B_DEGREE % 7,
            ) and self.rng.random() < self.habits.naturals:
                label = "natural"  # to remind
            else:
                continue
            step = self.step(note.degree)
            drawn, right = draw_accidental(self.music.mask, self.hand, self.rng, stand, col, label, step)
            self.keep(drawn, staff, None)
            col = right + self.rng.uniform(0.1, 0.35) * self.space
        return col

    def write_neumes(self, stand: Stand, staff: int, sung: Sung, col: float) -> float:
        """Write a syllable's neumes from a column on; give the right end."""
        right = col
        for i, neume in enumerate(sung.syllable.neumes):
            if i:
                col = right + self.style.neume_gap * self.space * self.rng.uniform(0.5, 1.3)
            self._change_ink()
            col = self._write_accidentals(stand, staff, col, neume.notes)
            notes = [(note.label, self.step(note.degree)) for note in neume.notes]
            drawn, right = draw_neume(self.music.mask, self.hand, self.rng, stand, col, notes)
            if len(drawn) != len(notes):
                raise ValueError(f"drew {len(drawn)} heads for {len(notes)} notes of {notes}")
            for head, note in zip(drawn, neume.notes, strict=True):
                self.keep(head, staff, note.degree, note.alter, self.n_neumes, sung.number)
            if self.accents is not None:
                left = drawn[0].left
                for head, move, layer in draw_accents(
                    self.page, self.hand, self.rng, self.accents, stand, left, neume
                ):
                    self.page.signs.append(FlatSign(head, staff, None, layer=layer, contour=move))
            self.n_neumes += 1
        self.music, self.paleness = self.main, 1.0
        return right

    def _change_ink(self) -> None:
        """Take the main ink, or for one neume a corrector's, or what has faded."""
        rng, habits = self.rng, self.habits
        self.music, self.paleness = self.main, 1.0
        if rng.random() < habits.corrections:
            other: Rgb = (44, 38, 34) if sum(self.main.ink) > 200 else (112, 86, 58)
            self.music = ink_sheet(self.page, rng, "music", other)
        if rng.random() < habits.faded:
            self.paleness = float(rng.uniform(0.3, 0.7))

    # -- a staff -----------------------------------------------------------------

    def write_staff(self, slot: StaffSlot, following: StaffSlot | None = None) -> None:
        """Rule a staff and write on it what fits; `following` is where the chant goes on."""
        rng, s, style = self.rng, self.space, self.style
        right, rubric_from = slot.right, None
        if not self.later and rng.random() < self.habits.later:
            self._take_over()
        if not slot.empty and rng.random() < self.habits.rubrics and right - slot.left > 14 * s:
            rubric_from = right - rng.uniform(3.5, 9) * s
            right = right if rng.random() < 0.4 else rubric_from - rng.uniform(0, 0.6) * s
        short = rubric_from is None and rng.random() < self.habits.short_staves and right - slot.left > 16 * s
        if short:
            right = slot.left + max(10 * s, rng.uniform(0.35, 0.85) * (right - slot.left))
        if slot.starts_chant:
            self.queue.skip_to_chant()
        self.flats = set()
        self.choose_clef(self.queue.degrees_ahead(20), keep=not slot.starts_chant)
        grid, staff = self.rule(slot, right)
        stand = Stand(s, style.n_lines, grid.row_of)
        baseline = slot.row + style.baseline * s * rng.uniform(0.97, 1.03)
        if rubric_from is not None:
            top = slot.row - (style.n_lines - rng.uniform(0.6, 1.3)) * s
            self.write_rubric(rubric_from, slot.right, (top, baseline))
            right = rubric_from - 0.5 * s
        if short:
            top = slot.row - (style.n_lines - 1) * s
            rubric_from = right + rng.uniform(0.9, 2.0) * s
            self.beside(rubric_from, slot.right, (top, slot.row), baseline)
        if slot.initial is not None:
            decor.draw_initial(self.page, rng, slot.initial, s)
        if slot.empty:
            col = slot.left + 0.5 * s if slot.initial is None else slot.initial[3] + 0.2 * s
            if rng.random() < 0.75:
                self.write_words(self.text, baseline, col, right, style.xheight * s)
            return
        flourished = rng.random() < self.habits.flourishes
        col = slot.left + style.clef_offset * s * rng.uniform(0.7, 1.2)
        hidden = rng.random() < self.habits.hidden_clefs
        if self.edge is not None:
            self._write_edge(self.edge, stand, staff, slot)
            begin = col if slot.initial is None else max(col, slot.initial[3] + 0.2 * s)
        elif slot.initial is not None and slot.initial[3] > slot.left + 0.5 * s and hidden:
            begin = col = slot.initial[3] + 0.2 * s  # the initial hides the clef
        else:
            if slot.initial is not None:
                col = max(col, slot.initial[3] + 0.1 * s)
            begin = self.write_clef(stand, staff, col)
        if flourished:
            begin = self.flourish(slot, (min(col, begin), begin))
        self._write_line(slot, self._as_guided(stand, slot, right), staff, baseline, begin, right)
        if following is not None and not following.starts_chant:
            self._end_line(staff, stand, right, self.taken_from(slot, rubric_from))

    def _write_line(
        self, slot: StaffSlot, stand: Stand, staff: int, baseline: float, begin: float, right: float
    ) -> None:
        rng, s, style = self.rng, self.space, self.style
        close = rng.random() < 0.3  # the first neume follows hard on the clef
        note_end, text_end = (
            begin + (rng.uniform(-0.05, 0.1) if close else rng.uniform(0.1, 0.8)) * s,
            begin - 0.2 * s,
        )
        if (
            self.queue.first.starts_chant
            and slot.initial is None
            and rng.random() < 0.6
            and begin + 8 * s < right
        ):
            note_end = text_end = self.open_chant(stand, baseline, begin + rng.uniform(-0.3, 0.4) * s)
        previous: Sung | None = None
        while True:
            sung = self.queue.first
            if sung.starts_chant and previous is not None:
                made = self._chant_break(stand, staff, baseline, max(note_end, text_end), right)
                if made is None:
                    break
                note_end = text_end = made
                previous = None
            if not self.fits(sung.degrees) or (previous is not None and self._restless(sung)):
                changed = self._change_clef(stand, staff, sung, max(note_end, text_end - s) + 0.5 * s)
                if changed is None:
                    continue
                note_end = changed
            if previous is not None and rng.random() < self.habits.interruptions and not self.later:
                end = max(note_end, text_end)
                if end + 8 * s < right:
                    note_end = text_end = self.interrupt(slot, stand, baseline, end, right)
            opens = previous is None and slot.initial is not None and sung.number < 0
            text = "" if sung.number >= 0 or self.later else sung.syllable.text[1 if opens else 0 :]
            if sung.syllable.wordpos in ("i", "s") and rng.random() < self.habits.capital_letters:
                text = text.capitalize()
            new_word = previous is not None and sung.syllable.wordpos in ("i", "s", "")
            gap = (
                style.word_gap * max(s, 1.6 * self.letter_px) * rng.uniform(0.8, 1.3)
                if new_word
                else 0.08 * s
            )
            lead = next((i for i, ch in enumerate(text.lower()) if ch in VOWELS), 0) * self.letter_px
            col = max(
                text_end + gap + style.spread * s * rng.uniform(0, 1),
                note_end + style.neume_gap * s * rng.uniform(0.6, 1.1) - lead,
            )
            if not self._make_room(text, lead, col, right + 0.4 * s, previous is None):
                break
            sung = self.queue.take()
            if new_word and rng.random() < style.hairlines:
                self._divide(stand, staff, (max(note_end, text_end) + col) / 2, "hairline")
            if sung.number < 0:
                text_end = self.write_syllable(staff, sung.syllable, text, baseline, col)
                sung.number = len(self.page.syllables) - 1
            vowel = self.vowel_col if text else col
            at = max(vowel - rng.uniform(-0.2, 0.3) * s, note_end + style.neume_gap * s * 0.5)
            note_end = self.write_neumes(stand, staff, sung, at)
            if self.queue.first.number == RUNS_ON:
                self.queue.first.number = sung.number
                break
            if sung.syllable.wordpos in ("t", "s"):
                note_end = self._end_word(stand, staff, note_end)
            previous = sung
        self.note_end = note_end
        end = max(text_end, col if previous is not None else text_end)
        if right - end > 2 * s and rng.random() < self.habits.fillers:
            xheight = style.xheight * s
            decor.draw_filler(self.page, rng, (baseline - xheight, end, baseline, right), s)

    def _make_room(self, text: str, lead: float, col: float, right: float, first: bool) -> bool:
        """See that the next syllable fits, splitting a melisma if need be; False where it cannot."""
        syllable = self.queue.first.syllable
        per_head, gap = 0.95 * self.hand.head_width * self.space, self.style.neume_gap * self.space
        used, n_fit = col + lead, 0
        for neume in syllable.neumes:
            n_bands = sum(note.label == "oblique" for note in neume.notes) / 2
            band = 1.15 * self.hand.oblique_length * self.space
            used += len(neume.notes) * per_head + n_bands * band + (gap if n_fit else 0.0)
            if used > right:
                break
            n_fit += 1
        if col + len(text) * self.letter_px > right and not first:
            return False
        if n_fit == len(syllable.neumes):
            return True
        if n_fit == 0 and not first:
            return False
        n_fit = max(n_fit, 1)
        if n_fit < len(syllable.neumes):
            self.queue.split(n_fit)
        return True

    def _restless(self, sung: Sung) -> bool:
        """Whether the scribe moves the clef in mid-staff: off the staff often, else hardly ever."""
        top = 2 * (self.style.n_lines - 1)
        steps = [self.step(d) for d in sung.degrees]
        far = min(steps) < -2 or max(steps) > top + 2
        return self.plan.kind not in COLOURED_KINDS and self.rng.random() < (
            0.4 if far else self.habits.clef_moves
        )

    def _change_clef(self, stand: Stand, staff: int, sung: Sung, col: float) -> float | None:
        """Change the clef in mid-staff; None where no clef serves, and the syllable is dropped."""
        before, own = self.clef, sung.degrees
        if self.plan.kind not in COLOURED_KINDS:
            for ahead in (self.queue.degrees_ahead(8), own):
                self.clef = choose_clef(ahead, self.style.n_lines, self.rng, self.habits.letter_clefs)
                if self.fits(own) and self.clef[0] != "clef_b":  # amid a staff that is a flat
                    return col if self.clef == before else self.write_clef(stand, staff, col)
        self.clef = before
        if self.fits(own):
            return col
        self.queue.drop()
        return None

    def _divide(self, stand: Stand, staff: int, col: float, form: str) -> float:
        drawn, right = draw_division(self.music.mask, self.hand, self.rng, stand, col, form)
        self.keep(drawn, staff, None)
        return right

    def _end_word(self, stand: Stand, staff: int, col: float) -> float:
        if self.flat_scope_word:
            self.flats = set()
        if self.rng.random() >= (0.25 if self.later else self.style.divisions):
            return col
        shares = [0.05, 0.1, 0.45, 0.0, 0.4] if self.later else [0.28, 0.18, 0.28, 0.18, 0.08]
        form = str(self.rng.choice(["minima", "maior", "maxima", "virgula", "finalis"], p=shares))
        return self._divide(stand, staff, col + self.rng.uniform(0.3, 0.7) * self.space, form)

    def _chant_break(
        self, stand: Stand, staff: int, baseline: float, col: float, right: float
    ) -> float | None:
        """End one chant and open the next in mid-staff; None where there is no room."""
        rng, s = self.rng, self.space
        if rng.random() < 0.5:
            col = self._divide(stand, staff, col + 0.5 * s, "finalis")
        if col + 10 * s > right or rng.random() < 0.25:
            return None
        self.flats = set()
        return self.open_chant(stand, baseline, col + 0.4 * s)

    def _end_line(self, staff: int, stand: Stand, right: float, taken_from: float | None) -> None:
        if not self.style.custos or self.rng.random() < 0.04 or self.queue.first.starts_chant:
            return
        if self.plan.kind in COLOURED_KINDS:  # the next line may drop what its clef cannot hold
            return
        first = self.queue.first.syllable.neumes[0].notes[0]
        if not self.fits([first.degree]):
            return
        rng, s = self.rng, self.space
        col = right + rng.uniform(-0.1, 0.7) * s
        near = rng.random()
        if near < 0.15:  # hard on the last note
            col = self.note_end + rng.uniform(0.1, 0.6) * s
        elif near < 0.25:  # out in the margin
            col += rng.uniform(0.3, 1.2) * s
        if taken_from is not None:
            col = min(col, taken_from - 1.1 * s)
        col = max(col, self.note_end + 0.1 * s)
        if taken_from is not None and col + 0.7 * s > taken_from:
            return  # words or another staff stand where it would
        drawn, _ = draw_custos(self.music.mask, self.hand, self.rng, stand, col, self.step(first.degree))
        self.keep(drawn, staff, first.degree, first.alter)
