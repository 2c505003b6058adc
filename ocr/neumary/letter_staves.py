"""Neumes without staff lines, with letters at the left edge: heights for a scale, pitch as a range.

A row of neumes is read like a staff whose lines are not there: a *virtual* F and c line are laid
through the heights that the letters give, parallel to the words, and the strip between them goes
to the network. The page as handed on has no lines: its staves are empty of them, their signs
carry no step, and `Reading.steps` counts from the height of F (step 0), which only
`neumary.ranges` turns into a range of pitches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import CLEF_DEGREES
from neumary.glyphs import Calibration, choose, find_candidates, place
from neumary.implied_spacing import FarHead, Spacing, fit_course, fit_spacing
from neumary.inked_lines import line_p
from neumary.kinds import lettered_p
from neumary.leaf_map import LeafMap
from neumary.letter_heights import Heights, Letter, name_letters
from neumary.letter_rows import guess_space, pitch_space, row_under, rows_over, rows_to_try
from neumary.letter_trial import SAME_SPACES, LaidRow, Trial
from neumary.range_table import MODELS, degrees_at
from neumary.read import read_strip
from neumary.script_scale import has_notes, look_by_script, notes_outside, notes_p, words_under
from neumary.strips import cut_strip
from neumary.types import Box, Glyph, InkMap, Reading, Remark, Scan, Staff
from neumary.wordless_rows import lines_with_wordless
from neumary_models.labels import CLEFS, HEADS
from neumary_models.leaf_outputs import LEAF_SPACE, REGIONS, STRIDE
from neumary_models.zoo import LoadedModel

_SURE: Final = 0.9  # that letters give the heights: then no other look is taken
# Probabilities that lines were drawn: under the first they do not stand anyway.
_NOT_DRAWN: Final = 0.5
_DRAWN: Final = 0.95
# Probability of lines in the map along a page's staves; on 97 rendered pages whose lines were all found 0.75
# and more (0.66 and 0.73 on two), on 8 where stacks of letters or ruling were taken for staves 0.24 to 0.69.
_WELL_SEEN: Final = 0.7
# Under it, and with so many times more notes outside than is usual, they are no staves.
_NOT_SEEN: Final = 0.5
_TIMES_OUTSIDE: Final = 2.0
# Words under so much of single lines: rendered staves up to 0.23, ruling of words 0.57.
_ON_WORDS: Final = 0.4
_FULL_LINES: Final = 3
_LINE_SEEN: Final = 0.62  # probability of full staves' lines in the map, under which they may be imagined
_TIMES_IMAGINED: Final = 1.1
_FEW_STAVES: Final = 2
_TIMES_DOUBTFUL: Final = 1.5  # so many rows with letters for each doubtful staff
_TIMES_FEW: Final = 3.0  # and for each of one or two staves that are no doubt drawn
# Of a page's cells that hold notes on no staff: on rendered pages up to 0.002 where all staves were found,
# from 0.009 on where rows with letters were taken for some.
_OUTSIDE_SHARE: Final = 0.006
_LEAST_A_ROW: Final = 0.4  # heads read at the left of each row; with letters from 0.9 on
_LOOKS: Final = 3  # at most: small words beside the chant make the first guess too small
_OFF: Final = 0.25  # logarithm of an error in the space from which another look is worth while
_MOST_ROWS: Final = 40  # lines of text that are tried
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
    scan: Scan, ink: InkMap, seen: LeafMap, model: LoadedModel, *, asked: bool = False
) -> tuple[list[Staff], list[tuple[Glyph, Reading]], list[Remark]]:
    """Read a page on which no staff was found, if letters give its heights.

    Parameters
    ----------
    scan : Scan
    ink : InkMap
    seen : LeafMap
        As the page was seen when no staff was found: at any size.
    model : LoadedModel
        The sign reader; its companion "leaf" looks again at the size the script tells.
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
    best, best_p = LetterPage((), (), 0.0, ()), 0.0
    for leaf, look_of in _looks(scan, ink, seen, model):
        if not asked and not has_notes(look_of):
            continue
        page = read_letters(leaf, look_of, LEAF_SPACE / STRIDE, model)
        p = lettered_p(page.lettered, len(page.staves))
        if page.staves and p > best_p:
            best, best_p = page, p
        if best_p >= _SURE:
            break
    p = 1.0 if asked else best_p
    if not best.staves or p < 0.5:
        return [], [], []
    staves = [msgspec.structs.replace(staff, kind_p=round(p, 4)) for staff in best.staves]
    return staves, list(best.signs), list(best.remarks)


def instead_of_lines(
    scan: Scan, ink: InkMap, seen: LeafMap, model: LoadedModel, staves: Sequence[Staff], drawn: float
) -> tuple[list[Staff], list[tuple[Glyph, Reading]], list[Remark]] | None:
    """Rows with letters on a page whose staves are doubtful, or far too few for its notes.

    Parameters
    ----------
    scan : Scan
    ink : InkMap
    seen : LeafMap
    model : LoadedModel
        The sign reader.
    staves : sequence of Staff
        As found; red ruling or a border may be taken for one or two.
    drawn : float
        From `neumary.inked_lines.drawn_p`.

    Returns
    -------
    tuple or None
        As `read_unlined`, empty where there are neither letters nor staves; None where the staves stand.
    """
    if drawn < _NOT_DRAWN:
        return None
    lines_seen = line_p(ink, seen, staves)
    doubtful = drawn < _DRAWN or lines_seen < _WELL_SEEN
    full = float(np.mean([len(staff.lines) for staff in staves])) >= _FULL_LINES
    imagined = full and lines_seen < _LINE_SEEN
    outside = notes_outside(seen, ink, staves)
    if doubtful and words_under(seen, ink, staves) > _ON_WORDS:
        rows = read_unlined(scan, ink, seen, model)
        return rows if rows[0] and rows[0][0].kind_p >= _SURE else ([], [], [])
    if outside < _OUTSIDE_SHARE and not (imagined and drawn < _DRAWN):
        return None
    if not doubtful and len(staves) > _FEW_STAVES:
        return None
    rows = read_unlined(scan, ink, seen, model)
    enough = len(staves) * (_TIMES_IMAGINED if imagined else _TIMES_DOUBTFUL if doubtful else _TIMES_FEW)
    if rows[0] and rows[0][0].kind_p >= _SURE and len(rows[0]) >= enough:
        return rows
    none = lines_seen < _NOT_SEEN and outside >= _TIMES_OUTSIDE * _OUTSIDE_SHARE
    return ([], [], []) if none else None


def _looks(scan: Scan, ink: InkMap, seen: LeafMap, model: LoadedModel) -> Iterator[tuple[InkMap, LeafMap]]:
    """The leaf at the size its script tells, then as it was seen before."""
    again = look_by_script(scan, ink, seen, model.companions["leaf"])
    if again is not None:
        yield again
    yield ink, seen


def read_letters(ink: InkMap, seen: LeafMap, space_cells: float, model: LoadedModel) -> LetterPage:
    """Read rows of neumes by the letters at their left ends.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
        A look at it.
    space_cells : float
        Guess at the staff space in cells.
    model : LoadedModel
        The sign reader.
    """
    read = read_rows(ink, seen, space_cells, model)
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


def read_rows(ink: InkMap, seen: LeafMap, space_cells: float, model: LoadedModel) -> list[ReadRow]:
    """Rows of neumes, each read between its virtual lines; parameters as `read_letters`."""
    cell_px = seen.cell_px
    lines = lines_with_wordless(seen.region[REGIONS.index("text")], notes_p(seen), space_cells)
    asking = Trial(ink, model, Calibration(**model.calibration))
    space = guess_space(lines, space_cells) * cell_px[0] / ink.scale
    trial: list[LaidRow] = []
    heads_a_row = 0.0
    for _ in range(_LOOKS):
        to_try = rows_to_try(lines, space * ink.scale / cell_px[0])[:_MOST_ROWS]
        if not to_try:
            return []
        trial, guess = [LaidRow.of(row, ink, cell_px) for row in to_try], space
        space, heads_a_row = asking.fit_space(trial, guess)
        if abs(math.log(space / guess)) < _OFF:
            break
    if heads_a_row < _LEAST_A_ROW:
        return []
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
    rows = [LaidRow.of(row, ink, cell_px) for row in found]
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
