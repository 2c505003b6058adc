"""Rows of neumes beside letters, read between virtual lines.

A row is read like a staff whose lines are not there: a *virtual* F and c line are laid through the
heights that the letters give, parallel to the words, and the strip between them goes to the network.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import CLEF_DEGREES
from neumary.glyphs import Calibration, choose, find_candidates, place
from neumary.implied_spacing import FarHead, Spacing, fit_course
from neumary.leaf_map import LeafMap
from neumary.letter_heights import Heights, Letter, name_letters
from neumary.letter_rows import guess_space, pitch_space, row_under, rows_over, rows_to_try
from neumary.letter_trial import SAME_SPACES, LaidRow, Trial
from neumary.range_table import MODELS, degrees_at
from neumary.read import read_strip
from neumary.script_scale import notes_p
from neumary.strips import cut_strip
from neumary.text_lines import TextLine
from neumary.types import Box, Glyph, InkMap, Reading, Staff
from neumary.wordless_rows import lines_with_wordless
from neumary_models.labels import CLEFS, HEADS
from neumary_models.leaf_outputs import REGIONS
from neumary_models.zoo import LoadedModel

_LEAST_A_ROW: Final = 0.4  # heads read at the left of each row; with letters from 0.9 on
_SURE_LETTER_P: Final = 0.9
_LOOKS: Final = 3  # at most: small words beside the chant make the first guess too small
_OFF: Final = 0.25  # logarithm of an error in the space from which another look is worth while
_MOST_ROWS: Final = 40  # lines of text that are tried
_LEAST_P: Final = 0.01
_BELOW_SPACES: Final = 0.6  # what of a row's area lies under its lowest sign


def read_rows(ink: InkMap, seen: LeafMap, space_cells: float, model: LoadedModel) -> list[ReadRow]:
    """Rows of neumes, each read between its virtual lines; parameters as `read_letters`."""
    cell_px = seen.cell_px
    lines = lines_with_wordless(seen.region[REGIONS.index("text")], notes_p(seen), space_cells)
    asking = Trial(ink, model, Calibration(**model.calibration))
    px = cell_px[0] / ink.scale
    guesses = (
        guess_space(lines, space_cells) * px,
        space_cells * px,
    )  # lines of words alone mislead the first
    tried = (_at_size(asking, lines, guess, cell_px) for guess in guesses)
    trial, space = next((one for one in tried if one[0]), ([], 0.0))
    if not trial:
        return []
    heads, letters = asking.heads_and_letters(trial, space)
    cell = (cell_px[0] / ink.scale, cell_px[1] / ink.scale)  # px; half a pixel here is nothing
    found = rows_over(lines, heads[:, 0] / cell[0], heads[:, 1] / cell[1], space / cell[0])
    own: list[list[Letter]] = [[] for _ in found]
    for letter in letters:
        sure = letter.names[0][1] >= _SURE_LETTER_P
        k = row_under(found, letter.row / cell[0], letter.col / cell[1], space / cell[0], sure=sure)
        if k is not None:
            own[k].append(letter)
    by_pitch = pitch_space(found, space / cell[0])
    if by_pitch is not None:  # two witnesses that err apart
        space = math.sqrt(space * by_pitch * cell[0])
    heights = name_letters(own, space / 2)
    space = 2 * heights.step_px if heights.pairs else space
    rows = [LaidRow.of(row, ink, cell_px) for row in found]
    read = [_read_row(asking, row, heights, number, space) for number, row in enumerate(rows)]
    return _each_once(read, space)


def _at_size(
    asking: Trial, lines: Sequence[TextLine], space: float, cell_px: tuple[float, float]
) -> tuple[list[LaidRow], float]:
    """Rows to try, and the staff space (px) they are read best at, from a guess; none without heads."""
    trial: list[LaidRow] = []
    heads_a_row = 0.0
    for _ in range(_LOOKS):
        to_try = rows_to_try(lines, space * asking.ink.scale / cell_px[0])[:_MOST_ROWS]
        if not to_try:
            return [], space
        trial, guess = [LaidRow.of(row, asking.ink, cell_px) for row in to_try], space
        space, heads_a_row = asking.fit_space(trial, guess)
        if abs(math.log(space / guess)) < _OFF:
            break
    return (trial if heads_a_row >= _LEAST_A_ROW else []), space


def _each_once(read: list[ReadRow], space: float) -> list[ReadRow]:
    """Of signs seen through two rows' strips, those over their row's own words stay."""
    seen = [(number, glyph) for number, row in enumerate(read) for glyph, _ in row.placed]
    at = np.array([(glyph.row, glyph.col) for _, glyph in seen]).reshape(-1, 2)
    rows = np.array([number for number, _ in seen])
    out = []
    for number, row in enumerate(read):
        kept = []
        for glyph, reading in row.placed:
            same = (np.hypot(*(at - (glyph.row, glyph.col)).T) < SAME_SPACES * space) & (rows != number)
            own = _away(row, glyph)
            if all(own < _away(read[k], glyph) for k in set(rows[same].tolist())):
                kept.append((glyph, reading))
        out.append(replace(row, placed=tuple(kept)))
    return out


def _away(row: ReadRow, glyph: Glyph) -> float:
    """How far from the middle of a row's neumes a sign stands, px."""
    return abs(float(np.interp(glyph.col, row.row.cols, row.row.middle)) - glyph.row)


@dataclass(frozen=True, slots=True, eq=False)
class ReadRow:
    """A row between its virtual lines, and the signs read there.

    Attributes
    ----------
    row : LaidRow
    laid : Staff
        With its virtual lines.
    letters : tuple of (Letter, str)
        Letters with their names.
    placed : tuple of (Glyph, Reading)
        The other signs as the network read them.
    course : (float, float)
        From `neumary.implied_spacing.fit_course`.
    """

    row: LaidRow
    laid: Staff
    letters: tuple[tuple[Letter, str], ...]
    placed: tuple[tuple[Glyph, Reading], ...]
    course: tuple[
        float, float
    ]  # degrees by which its heads stand too high: at the left, and more at the right

    @property
    def known(self) -> list[int]:
        """Degrees above F of its letters."""
        return [_above_f(name) for _, name in self.letters]

    def height(self, glyph: Glyph) -> float:
        """Degrees above F, its course mended."""
        return _height(self.laid, glyph) - self.course[0] - self.course[1] * _along(self.laid, glyph)

    def far_heads(self) -> list[FarHead]:
        """Heads beyond the letters' heights."""
        out = []
        for glyph, reading in self.placed if self.letters else ():
            height = self.height(glyph)
            edge = max(self.known) if height > max(self.known) else min(self.known)
            if reading.label in HEADS and not min(self.known) <= height <= max(self.known):
                out.append(FarHead(height - edge, ()))
        return out

    def signs(self, spacing: Spacing) -> list[tuple[Glyph, Reading]]:
        """Signs without steps; what is known of their height stands in `Reading.steps`."""
        out = []
        for glyph, reading in self.placed:
            steps: tuple[tuple[int, float], ...] = ()
            if self.letters and reading.label != "division":
                height, low, high = self.height(glyph), min(self.known), max(self.known)
                if height > high:
                    height = high + spacing.mended(height - high)
                elif height < low:
                    height = low + spacing.mended(height - low)
                away = min(abs(height - step) for step in self.known)
                odds = degrees_at(MODELS["letters"], height, away, dict(reading.steps))
                steps = tuple(sorted(((s, p) for s, p in odds.items() if p >= _LEAST_P), key=_best_first))
            out.append((glyph, msgspec.structs.replace(reading, step=None, steps=steps)))
        return out + [_letter_sign(letter, name, self.laid) for letter, name in self.letters]

    def staff(self) -> Staff:
        """Without lines."""
        row, space = self.row, self.laid.space_px
        edges = (
            float((row.text - row.top).min()) - space, row.cols[0] - space,
            float((row.text - _BELOW_SPACES * space).max()), row.cols[-1] + space,
        )  # fmt: skip
        top, left, bottom, right = (max(0, round(float(edge))) for edge in edges)
        return msgspec.structs.replace(self.laid, lines=(), area=Box(top, left, max(top, bottom), right))


def _read_row(asking: Trial, row: LaidRow, heights: Heights, number: int, space: float) -> ReadRow:
    f_row = heights.f_row(number)
    laid = msgspec.structs.replace(row.staff(f_row, space), id=f"s{number + 1:02d}")
    strip = cut_strip(asking.ink, laid)
    if f_row is None:
        strip = replace(strip, line_rows=())
    scores, line_free = read_strip(strip, asking.model)
    chosen = choose(find_candidates(scores, asking.calibration), asking.calibration)
    # Letters are read together, for the whole page.
    placed = tuple(sign for sign in place(strip, line_free, chosen) if sign[1].label not in CLEFS)
    heads = [glyph for glyph, reading in placed if reading.label in HEADS]
    course = (0.0, 0.0)
    if f_row is not None:
        high = np.array([_height(laid, glyph) for glyph in heads])
        course = fit_course(high, np.array([_along(laid, glyph) for glyph in heads]))
    return ReadRow(row, laid, heights.named[number], placed, course)


def _height(laid: Staff, glyph: Glyph) -> float:
    return laid.step_at(glyph.row, glyph.col)


def _along(laid: Staff, glyph: Glyph) -> float:
    first, last = laid.lines[0].cols[0], laid.lines[0].cols[-1]
    return (glyph.col - first) / (last - first)


def _above_f(label: str) -> int:
    return CLEF_DEGREES[label] - CLEF_DEGREES["clef_f"]


def _best_first(pair: tuple[int, float]) -> tuple[float, int]:
    return -pair[1], pair[0]


def _letter_sign(letter: Letter, name: str, staff: Staff) -> tuple[Glyph, Reading]:
    half = 0.6 * staff.space_px
    box = Box(
        max(0, round(letter.row - half)), max(0, round(letter.col - half)),
        max(1, round(letter.row + half)), max(1, round(letter.col + half)),
    )  # fmt: skip
    odds = dict(letter.names)
    rivals = tuple(pair for pair in letter.names if pair[0] != name and pair[1] >= 0.01)[:3]
    glyph = Glyph(id="", staff=staff.id, row=letter.row, col=letter.col, box=box)
    return glyph, Reading(glyph="", label=name, confidence=min(1.0, odds.get(name, 0.0)), rivals=rivals)
