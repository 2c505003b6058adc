"""Rows of neumes without lines, tried out: at which scale the network reads them, and what is there.

Virtual F and c lines laid through a row make a staff of it that the network can be shown; at
first it is shown none of these lines, only the strip between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec
import numpy as np

from neumary.glyphs import Calibration, Candidate, choose, find_candidates, place
from neumary.letter_heights import Letter
from neumary.letter_rows import F64, NeumeRow
from neumary.read import read_strip
from neumary.strips import cut_strip
from neumary.types import Box, InkMap, LineColour, Staff, StaffLine
from neumary_models.labels import CLEFS, HEADS, NAMES
from neumary_models.zoo import LoadedModel

FIFTH_SPACES: Final = 2.0
"""Staff spaces from the virtual F line up to the virtual c line."""

_SAME_LETTER_SPACES: Final = 0.7
SAME_SPACES: Final = 0.34
"""Heads nearer than this are one, seen through two strips."""
_RATIO: Final = 1.16  # from one scale tried to the next
_TRIED: Final = 5  # each way
_UNSURE: Final = 0.8  # mean probability of heads at a scale the network does not bear
_ROWS_ASKED: Final = 8
_ASKED_SPACES: Final = 14.0  # of each so much, in first guesses
_LETTER_P: Final = 0.15  # letters less probable than this are not weighed


@dataclass(frozen=True, slots=True, eq=False)
class LaidRow:
    """A row of neumes in original pixels: the course of its words, and its middle at each column."""

    cols: F64
    text: F64
    middle: F64
    top: float

    @classmethod
    def of(cls, row: NeumeRow, ink: InkMap, cell_px: tuple[float, float]) -> LaidRow:
        """From cells."""

        def px(cells: F64, size: float) -> F64:
            return np.asarray((cells + 0.5) * size / ink.scale - 0.5)

        text, middle = px(row.text, cell_px[0]), px(row.middle, cell_px[0])
        return cls(px(row.cols, cell_px[1]), text, middle, row.top * cell_px[0] / ink.scale)

    def staff(self, f_row: float | None, space: float) -> Staff:
        """Between virtual lines: F at a height at the left end, or both about the row's middle."""
        low = self.middle + FIFTH_SPACES / 2 * space if f_row is None else self.text - self.text[0] + f_row
        return virtual_staff(self.cols, low, space)


def virtual_staff(cols: F64, low: F64, space: float) -> Staff:
    """A staff between an F line and the c line over it, neither of them drawn."""
    pair: tuple[tuple[F64, LineColour], ...] = ((low, "red"), (low - FIFTH_SPACES * space, "yellow"))
    lines = tuple(
        StaffLine(
            cols=tuple(float(c) for c in cols), rows=tuple(float(r) for r in rows),
            thickness_px=0.0, colour=colour, seen=0.0,
        )
        for rows, colour in pair
    )  # fmt: skip
    return Staff(id="", column=0, lines=lines, space_px=space, area=Box(0, 0, 1, 1), kind="letters")


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """What the network makes of rows."""

    ink: InkMap
    model: LoadedModel
    calibration: Calibration

    def candidates(self, staff: Staff) -> list[Candidate]:
        """Of a guessed staff: the network is shown no lines."""
        strip = replace(cut_strip(self.ink, staff), line_rows=())
        return find_candidates(read_strip(strip, self.model)[0], self.calibration)

    def fit_space(self, rows: Sequence[LaidRow], guess: float) -> tuple[float, float]:
        """The staff space about which the network reads a few rows surely; and heads a row it reads there.

        It bears scales a third off either way, so the middle of those it bears is taken.
        """
        pieces = [_cut(row.staff(None, guess), _ASKED_SPACES * guess) for row in rows[:_ROWS_ASKED]]
        scales = [guess * _RATIO**k for k in range(-_TRIED, _TRIED + 1)]
        found = [[p for piece in pieces for p in self.sure(piece, scale)] for scale in scales]
        most = max(len(each) for each in found)
        weights = np.array(
            [
                max(sum(each) / len(each) - _UNSURE, 0.0) ** 2 * len(each) / most if each else 0.0
                for each in found
            ]
        )
        if weights.sum() <= 0:
            return guess, 0.0
        space = float(np.exp((weights * np.log(scales)).sum() / weights.sum()))
        nearest = int(np.abs(np.log(np.array(scales) / space)).argmin())
        return space, len(found[nearest]) / len(pieces)

    def sure(self, piece: Staff, space: float) -> list[float]:
        """How sure the network is of each head, the rows taken to be of some staff space."""
        f_line = piece.lines[0]
        middle = np.asarray(f_line.rows) - FIFTH_SPACES / 2 * piece.space_px
        staff = virtual_staff(np.asarray(f_line.cols), middle + FIFTH_SPACES / 2 * space, space)
        chosen = choose(self.candidates(staff), self.calibration)
        return [c.p_sign * float(c.labels.max()) for c in chosen if c.label in HEADS]

    def heads_and_letters(self, rows: Sequence[LaidRow], space: float) -> tuple[F64, list[Letter]]:
        """Heads of all rows, each once, shape (n, 2), (row, column) in px; and all that may be letters."""
        found: list[tuple[float, float]] = []
        letters: list[Letter] = []
        for row in rows:
            strip = replace(cut_strip(self.ink, row.staff(None, space)), line_rows=())
            scores, line_free = read_strip(strip, self.model)
            candidates = find_candidates(scores, self.calibration)
            chosen = [c for c in choose(candidates, self.calibration) if c.label in HEADS]
            before = np.array(found).reshape(-1, 2)
            for glyph, _ in place(strip, line_free, chosen):
                if not _near(before, glyph.row, glyph.col, SAME_SPACES * space):
                    found.append((glyph.row, glyph.col))
            clefs = [c for c in candidates if c.label in CLEFS and c.p_sign >= _LETTER_P]
            chosen = choose(clefs, _LETTER_P)
            for candidate, (glyph, _) in zip(chosen, place(strip, line_free, chosen), strict=True):
                letters.append(Letter(glyph.row, glyph.col, _names(candidate)))
        kept: list[Letter] = []
        for letter in sorted(letters, key=lambda x: (-x.names[0][1], x.row, x.col)):
            at = np.array([(x.row, x.col) for x in kept]).reshape(-1, 2)
            if not _near(at, letter.row, letter.col, _SAME_LETTER_SPACES * space):
                kept.append(letter)
        return np.array(found, dtype=np.float64).reshape(-1, 2), kept


def _near(at: F64, row: float, col: float, limit: float) -> bool:
    return bool(len(at)) and bool((np.hypot(*(at - (row, col)).T) < limit).any())


def _names(candidate: Candidate) -> tuple[tuple[str, float], ...]:
    pairs = [(name, float(p) * candidate.p_sign) for name, p in zip(NAMES, candidate.labels, strict=True)]
    return tuple(sorted((pair for pair in pairs if pair[0] in CLEFS), key=lambda pair: (-pair[1], pair[0])))


def _cut(staff: Staff, length_px: float) -> Staff:
    """The left end of a staff."""
    end = staff.lines[0].cols[0] + length_px
    kept = sum(col <= end for col in staff.lines[0].cols)
    lines = tuple(
        msgspec.structs.replace(line, cols=line.cols[: max(kept, 2)], rows=line.rows[: max(kept, 2)])
        for line in staff.lines
    )
    return msgspec.structs.replace(staff, lines=lines)
