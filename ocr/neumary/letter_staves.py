"""Neumes without staff lines, with letters at the left edge: heights for a scale, pitch as a range.

A row of neumes is read like a staff whose lines are not there: a *virtual* F and c line are laid
through the heights that the letters give, parallel to the words, and the strip between them goes
to the network. The page as handed on has no lines: its staves are empty of them, their signs
carry no step, and `Reading.steps` counts from the height of F (step 0), which only
`neumary.ranges` turns into a range of pitches.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import CLEF_DEGREES
from neumary.glyphs import Calibration, Candidate, choose, find_candidates, place
from neumary.implied_spacing import FarHead, Spacing, fit_course, fit_spacing
from neumary.kinds import lettered_p
from neumary.leaf_map import LeafMap
from neumary.letter_heights import Heights, Letter, name_letters
from neumary.letter_rows import F64, NeumeRow, guess_space, pitch_space, row_under, rows_over, rows_to_try
from neumary.range_table import MODELS, degrees_at
from neumary.read import read_strip
from neumary.strips import cut_strip
from neumary.text_lines import text_lines
from neumary.types import F32, Box, Glyph, InkMap, LineColour, Reading, Remark, Staff, StaffLine
from neumary_models.labels import CLEFS, HEADS, NAMES
from neumary_models.leaf_outputs import LEAF_SPACE, REGIONS, STRIDE
from neumary_models.zoo import LoadedModel

FIFTH_SPACES: Final = 2.0
"""Staff spaces from the virtual F line up to the virtual c line."""

_MOST_ROWS: Final = 40  # lines of text that are tried
_SAME_LETTER_SPACES: Final = 0.7
_SAME_SPACES: Final = 0.34  # heads nearer than this are one, seen through two strips
_RATIO: Final = 1.16  # from one scale tried to the next
_TRIED: Final = 5  # each way
_UNSURE: Final = 0.8  # mean probability of heads at a scale the network does not bear
_ROWS_ASKED: Final = 8
_ASKED_SPACES: Final = 14.0  # of each so much, in first guesses
_LETTER_P: Final = 0.15  # letters less probable than this are not weighed
_LEAST_P: Final = 0.01
_BELOW_SPACES: Final = 0.6  # what of a row's area lies under its lowest sign


@dataclass(frozen=True, slots=True)
class LetterPage:
    """What was read off a page of neumes without lines.

    Attributes
    ----------
    staves : tuple of Staff
        Without lines, from top to bottom; kind "letters".
    signs : tuple of (Glyph, Reading)
        Ids still empty.
    lettered : float
        Share of the rows at whose left end letters were found.
    remarks : tuple of Remark
    """

    staves: tuple[Staff, ...]
    signs: tuple[tuple[Glyph, Reading], ...]
    lettered: float
    remarks: tuple[Remark, ...]


def read_unlined(
    ink: InkMap, seen: LeafMap, model: LoadedModel, *, asked: bool = False
) -> tuple[list[Staff], list[tuple[Glyph, Reading]], list[Remark]]:
    """Read a page on which no staff was found, if letters give its heights.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
    model : LoadedModel
        The sign reader.
    asked : bool
        Whether the user said that the page is of this kind.

    Returns
    -------
    staves : list of Staff
        Empty where there are no letters.
    signs : list of (Glyph, Reading)
        Ids still empty.
    remarks : list of Remark
    """
    text = seen.region[REGIONS.index("text")]
    page = read_letters(ink, text, seen.cell_px, LEAF_SPACE / STRIDE, model)
    p = 1.0 if asked else lettered_p(page.lettered)
    if not page.staves or p < 0.5:
        return [], [], []
    staves = [msgspec.structs.replace(staff, kind_p=round(p, 4)) for staff in page.staves]
    return staves, list(page.signs), list(page.remarks)


def read_letters(
    ink: InkMap, text: F32, cell_px: tuple[float, float], space_cells: float, model: LoadedModel
) -> LetterPage:
    """Read rows of neumes by the letters at their left ends.

    Parameters
    ----------
    ink : InkMap
    text : ndarray of float32, shape (h, w)
        From the leaf network: probability of text.
    cell_px : (float, float)
        Working pixels a cell, (rows, columns).
    space_cells : float
        Guess at the staff space in cells.
    model : LoadedModel
        The sign reader.
    """
    read = read_rows(ink, text, cell_px, space_cells, model)
    if not read:
        return LetterPage((), (), 0.0, ())
    spacing = fit_spacing([head for row in read for head in row.far_heads()])
    bare = [row.laid.id for row in read if not row.letters]
    text_of = "No letter was found at the left of the row of neumes {}: contour only there."
    return LetterPage(
        staves=tuple(row.staff() for row in read),
        signs=tuple(sign for row in read for sign in row.signs(spacing)),
        lettered=1 - len(bare) / len(read),
        remarks=tuple(Remark(code="letter-missing", text=text_of.format(x), staff=x) for x in bare),
    )


def read_rows(
    ink: InkMap, text: F32, cell_px: tuple[float, float], space_cells: float, model: LoadedModel
) -> list[ReadRow]:
    """Rows of neumes, each read between its virtual lines; parameters as `read_letters`."""
    lines = text_lines(text, space_cells)
    to_try = rows_to_try(lines, guess_space(lines, space_cells))[:_MOST_ROWS]
    if not to_try:
        return []
    asking = _Asking(ink, model, Calibration(**model.calibration))
    trial = [_Row.of(row, ink, cell_px) for row in to_try]
    space = asking.fit_space(trial, guess_space(lines, space_cells) * cell_px[0] / ink.scale)
    heads, letters = asking.heads_and_letters(trial, space)
    cell = (cell_px[0] / ink.scale, cell_px[1] / ink.scale)  # px; half a pixel here is nothing
    found = rows_over(lines, heads[:, 0] / cell[0], heads[:, 1] / cell[1], space / cell[0])
    own: list[list[Letter]] = [[] for _ in found]
    for letter in letters:
        k = row_under(found, letter.row / cell[0], letter.col / cell[1], space / cell[0])
        if k is not None:
            own[k].append(letter)
    by_pitch = pitch_space(found, space / cell[0])
    if by_pitch is not None:  # two witnesses that err apart
        space = math.sqrt(space * by_pitch * cell[0])
    heights = name_letters(own, space / 2)
    space = 2 * heights.step_px if heights.pairs else space
    rows = [_Row.of(row, ink, cell_px) for row in found]
    read = [_read_row(asking, row, heights, number, space) for number, row in enumerate(rows)]
    return _each_once(read, space)


def _each_once(read: list[ReadRow], space: float) -> list[ReadRow]:
    """Of signs seen through two rows' strips, those over their row's own words stay."""
    seen = [(number, glyph) for number, row in enumerate(read) for glyph, _ in row.placed]
    at = np.array([(glyph.row, glyph.col) for _, glyph in seen]).reshape(-1, 2)
    rows = np.array([number for number, _ in seen])
    out = []
    for number, row in enumerate(read):
        kept = []
        for glyph, reading in row.placed:
            same = (np.hypot(*(at - (glyph.row, glyph.col)).T) < _SAME_SPACES * space) & (rows != number)
            own = _away(row, glyph)
            if all(own < _away(read[k], glyph) for k in set(rows[same].tolist())):
                kept.append((glyph, reading))
        out.append(replace(row, placed=tuple(kept)))
    return out


def _away(row: ReadRow, glyph: Glyph) -> float:
    """How far from the middle of a row's neumes a sign stands, px."""
    return abs(float(np.interp(glyph.col, row.row.cols, row.row.middle)) - glyph.row)


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """A row of neumes in original pixels: the course of its words, and its middle at each column."""

    cols: F64
    text: F64
    middle: F64
    top: float

    @classmethod
    def of(cls, row: NeumeRow, ink: InkMap, cell_px: tuple[float, float]) -> _Row:
        """From cells."""

        def px(cells: F64, size: float) -> F64:
            return np.asarray((cells + 0.5) * size / ink.scale - 0.5)

        text, middle = px(row.text, cell_px[0]), px(row.middle, cell_px[0])
        return cls(px(row.cols, cell_px[1]), text, middle, row.top * cell_px[0] / ink.scale)

    def staff(self, f_row: float | None, space: float) -> Staff:
        """Between virtual lines: F at a height at the left end, or both about the row's middle."""
        low = self.middle + FIFTH_SPACES / 2 * space if f_row is None else self.text - self.text[0] + f_row
        return _virtual(self.cols, low, space)


def _virtual(cols: F64, low: F64, space: float) -> Staff:
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
class _Asking:
    """What the network makes of rows."""

    ink: InkMap
    model: LoadedModel
    calibration: Calibration

    def candidates(self, staff: Staff) -> list[Candidate]:
        """Of a guessed staff: the network is shown no lines."""
        strip = replace(cut_strip(self.ink, staff), line_rows=())
        return find_candidates(read_strip(strip, self.model)[0], self.calibration)

    def fit_space(self, rows: Sequence[_Row], guess: float) -> float:
        """The staff space about which the network reads a few rows surely.

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
            return guess
        return float(np.exp((weights * np.log(scales)).sum() / weights.sum()))

    def sure(self, piece: Staff, space: float) -> list[float]:
        """How sure the network is of each head, the rows taken to be of some staff space."""
        f_line = piece.lines[0]
        middle = np.asarray(f_line.rows) - FIFTH_SPACES / 2 * piece.space_px
        staff = _virtual(np.asarray(f_line.cols), middle + FIFTH_SPACES / 2 * space, space)
        chosen = choose(self.candidates(staff), self.calibration.believe_p)
        return [c.p_sign * float(c.labels.max()) for c in chosen if c.label in HEADS]

    def heads_and_letters(self, rows: Sequence[_Row], space: float) -> tuple[F64, list[Letter]]:
        """Heads of all rows, each once, shape (n, 2), (row, column) in px; and all that may be letters."""
        found: list[tuple[float, float]] = []
        letters: list[Letter] = []
        for row in rows:
            strip = replace(cut_strip(self.ink, row.staff(None, space)), line_rows=())
            scores, line_free = read_strip(strip, self.model)
            candidates = find_candidates(scores, self.calibration)
            chosen = [c for c in choose(candidates, self.calibration.believe_p) if c.label in HEADS]
            before = np.array(found).reshape(-1, 2)
            for glyph, _ in place(strip, line_free, chosen):
                if not _near(before, glyph.row, glyph.col, _SAME_SPACES * space):
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


@dataclass(frozen=True, slots=True, eq=False)
class ReadRow:
    """A row between its virtual lines, and the signs read there.

    Attributes
    ----------
    row : _Row
    laid : Staff
        With its virtual lines.
    letters : tuple of (Letter, str)
        Letters with their names.
    placed : tuple of (Glyph, Reading)
        The other signs as the network read them.
    course : (float, float)
        From `neumary.implied_spacing.fit_course`.
    """

    row: _Row
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


def _read_row(asking: _Asking, row: _Row, heights: Heights, number: int, space: float) -> ReadRow:
    f_row = heights.f_row(number)
    laid = msgspec.structs.replace(row.staff(f_row, space), id=f"s{number + 1:02d}")
    strip = cut_strip(asking.ink, laid)
    if f_row is None:
        strip = replace(strip, line_rows=())
    scores, line_free = read_strip(strip, asking.model)
    chosen = choose(find_candidates(scores, asking.calibration), asking.calibration.believe_p)
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
