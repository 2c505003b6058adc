"""Staves ruled for a clef: where steps lie, which clef serves, which lines are inked."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from neumary.types import Staff
from neumary_synth import melody
from neumary_synth.hand import Hand
from neumary_synth.inserts import InsertScribe
from neumary_synth.melody import CLEF_DEGREES
from neumary_synth.plan import COLOURED_KINDS, StaffSlot
from neumary_synth.ruling import draw_dry_line, draw_lead_lines, draw_line, grid_of, run_lines
from neumary_synth.sheets import FlatStaff

CLEF_DEGREE: Final = {f"clef_{letter}": degree for letter, degree in CLEF_DEGREES.items()}
"""Degree of the line a clef stands on (C clef = c4 = 28, F clef = f3 = 24)."""

_LEDGER_STEPS: Final = 4  # notes stand up to 2 spaces off the staff
_KEEPS_CLEF: Final = (0.97, 0.7, 0.5)
"""Chance of keeping the clef in force, by steps that the notes ahead reach beyond the staff (common practice:
one clef through a chant unless the range forces another; on four photographed leaves of three hands it was
kept on 20 of 21 staves, 6 of 9, 4 of 8, and where more was beyond on none of 2)."""
_KEEPS_COLOURED: Final = (0.85, 0.85, 0.85)  # on few coloured lines the ruling goes with the clef
_F_OR_C: Final = {3: "red", 0: "yellow"}  # degree mod 7 -> colour of its line


class RuledScribe(InsertScribe):
    """Rules staves and keeps the clef in force.

    Attributes
    ----------
    clef : tuple of str and int
        Label and line, counted from 1 at the bottom.
    dry_strength : int
        How dark lines scratched with a dry point look, 0..255.
    hand : Hand
        Writing now.
    """

    hand: Hand
    clef: tuple[str, int]
    dry_strength: int

    # -- clefs and steps ---------------------------------------------------------

    def step(self, degree: int) -> int:
        """Step of a degree under the clef in force."""
        label, line = self.clef
        return degree - CLEF_DEGREE[label] + 2 * (line - 1)

    def fits(self, degrees: list[int]) -> bool:
        """Whether notes stand on the staff or at most two spaces off it."""
        top = 2 * (self.style.n_lines - 1)
        return all(-_LEDGER_STEPS <= self.step(d) <= top + _LEDGER_STEPS for d in degrees)

    def choose_clef(self, degrees: list[int], keep: bool) -> None:
        """Choose the clef for what comes; keep the one in force where it serves."""
        if not degrees:
            return
        top = 2 * (self.style.n_lines - 1)
        steps = [self.step(d) for d in degrees]
        beyond = max(-min(steps), max(steps) - top, 0)
        keeps = _KEEPS_COLOURED if self.plan.kind in COLOURED_KINDS else _KEEPS_CLEF
        if keep and beyond < len(keeps) and self.rng.random() < keeps[beyond]:
            return
        if self.plan.kind in COLOURED_KINDS:
            choices = (
                [("clef_c", 4), ("clef_c", 3)]
                if self.plan.kind == "two-line"
                else [("clef_f", 1), ("clef_f", 2)]
            )
            middle = (min(degrees) + max(degrees)) / 2
            self.clef = min(choices, key=lambda c: abs(CLEF_DEGREE[c[0]] - 2 * (c[1] - 1) + 3 - middle))
        else:
            self.clef = melody.choose_clef(degrees, self.style.n_lines, self.rng, self.habits.letter_clefs)

    # -- ruling ------------------------------------------------------------------

    def line_colour(self, line: int) -> str:
        """Colour of a line, where it may depend on the pitch it stands for; "" = not inked."""
        label, at = self.clef
        name = _F_OR_C.get((CLEF_DEGREE[label] + 2 * (line + 1 - at)) % 7, "")
        if self.plan.kind not in COLOURED_KINDS:
            return name if name in self.style.guides else self.style.line_colours[line]
        if name == "yellow":
            return self.style.line_colours[1] if self.plan.kind == "two-line" else ""
        return name if self.plan.kind in ("two-line", "one-line") else ""

    def rule(self, slot: StaffSlot, right: float) -> tuple[Staff, int]:
        """Rule a staff for the clef in force; give its whole grid and its number on the page."""
        s, style = self.space, self.style
        ruled = run_lines(self.rng, style, slot, right, s)
        lines = tuple(replace(x, colour=self.line_colour(i)) for i, x in enumerate(ruled))
        inked = tuple(x for x in lines if x.colour)
        inks = dict(zip(style.line_colours, style.line_inks, strict=True)) | style.guides
        pale, full = -1, self.plan.kind not in COLOURED_KINDS
        if full and self.rng.random() < self.habits.pale_edges:
            pale = int(self.rng.choice([0, len(lines) - 1]))
        for i, line in enumerate(lines):
            if line.colour:
                strength = float(self.rng.uniform(0.25, 0.6)) if i == pale else 1.0
                draw_line(self.page.sheet("line", inks[line.colour]), line, self.rng, s, style, strength)
            elif self.dry_strength:
                draw_dry_line(self.page, line, (178, 160, 132), self.dry_strength)
        if self.rng.random() < self.habits.lead_lines:
            draw_lead_lines(self.page, lines, self.rng, s)
        top, bottom = min(lines[-1].rows), max(lines[0].rows)
        area = (top - 2.2 * s, slot.left - 1.2 * s, bottom + 2.2 * s, right + 1.5 * s)
        self.page.staves.append(FlatStaff(inked, s, slot.column, self.staff_kind(), area))
        return grid_of(lines, s), len(self.page.staves) - 1

    def taken_from(self, slot: StaffSlot, words_from: float | None) -> float | None:
        """Column where words beside a staff, or the next column's clefs, begin; None where neither does."""
        starts = [left - 0.6 * self.space for left, _ in self.plan.columns if left > slot.right]
        return min([*starts, *([] if words_from is None else [words_from])], default=None)

    def staff_kind(self) -> str:
        """The `NotationKind` of the page's staves."""
        kind = self.plan.kind
        if kind == "pointed":
            return self.hand.style  # a later hand may go on in square notation
        if kind in ("layered", "letters"):
            return kind
        return "coloured-lines" if kind in ("two-line", "one-line") else "square"
