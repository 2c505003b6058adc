"""Neumes without staff lines, with letters at the left edge: heights for a scale, pitch as a range.

A row of neumes is read like a staff whose lines are not there: a *virtual* F and c line are laid
through the heights that the letters give, parallel to the words, and the strip between them goes
to the network. The page as handed on has no lines: its staves are empty of them, their signs
carry no step, and `Reading.steps` counts from the height of F (step 0), which only
`neumary.ranges` turns into a range of pitches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import CLEF_DEGREES
from neumary.implied_spacing import fit_spacing
from neumary.inked_lines import line_p
from neumary.kinds import lettered_p
from neumary.leaf_map import LeafMap
from neumary.letter_lines import read_rows
from neumary.script_scale import has_notes, look_by_script, notes_outside, words_under
from neumary.types import Glyph, InkMap, Reading, Remark, Scan, Staff
from neumary_models.labels import CLEFS, HEADS
from neumary_models.leaf_outputs import LEAF_SPACE, STRIDE
from neumary_models.zoo import LoadedModel

_SURE: Final = 0.9  # that letters give the heights: then no other look is taken
_LETTER_P: Final = 0.5  # a letter surer than this makes its row one with letters
_SURE_HEAD_P: Final = 0.8
# Share of such heads: on rendered pages of heads without lines 0.8 and more, on pages of words alone up to
# 0.6; staffless signs, of which up to 0.95 are taken for heads, are told by their own reader.
_SURE_HEADS_SHARE: Final = 0.75
_LEAST_SURE_HEADS: Final = 6
# Probabilities that lines were drawn: under the first they do not stand anyway.
_NOT_DRAWN: Final = 0.5
_DRAWN: Final = 0.95
# Probability of lines in the map along a page's staves; on 150 rendered pages with full staves 0.70 and more,
# with few lines 0.60 and more; where stacks of letters or ruling were taken for staves 0.24 to 0.73.
_WELL_SEEN: Final = 0.7
_FULL_PALE: Final = 0.75  # under it, and under the next, rows with letters are looked for
_FEW_PALE: Final = 0.76
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
_TIMES_PALE: Final = 2.0  # for each pale one, if far more notes stand outside than is usual
_TIMES_FAR: Final = 4.0
_TIMES_FEW: Final = 3.0  # and for each of one or two staves that are no doubt drawn
_MOST_ROWS: Final = 0.7  # for each staff at least so many rows with letters that contradict it
_PAIRED: Final = 1.9  # letters a row; clefs a staff mostly 1, up to 1.6 on rendered pages
# Spaces: letters beside few lines that were drawn 0.13 at most, beside ruling that was not 0.66 and more.
_OFF_LINES: Final = 0.35
_LEAST_LETTERS: Final = 3
_BESIDE_SPACES: Final = 3.0  # letters further away are no line's
_LINES: Final = (CLEF_DEGREES["clef_f"], CLEF_DEGREES["clef_c"])
# Of a page's cells that hold notes on no staff: on rendered pages up to 0.002 where all staves were found,
# from 0.009 on where rows with letters were taken for some.
_OUTSIDE_SHARE: Final = 0.006

Signs = Sequence[tuple[Glyph, Reading]]

NO_HEIGHTS: Final = Remark(
    code="no-pitch",
    text="No staff lines were found, and no letter at the left of any row of neumes, so the leaf gives no "
    "pitch: stated are names of signs and up, down or same. If lines are there, say how many (--lines).",
)
"""What is said of rows of heads without lines and letters."""


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
    sure_heads : int
        Heads beyond doubt.
    sure_share : float
        Share of the heads that are.
    """

    staves: tuple[Staff, ...]
    signs: tuple[tuple[Glyph, Reading], ...]
    lettered: float
    remarks: tuple[Remark, ...]
    sure_heads: int = 0
    sure_share: float = 0.0


_NOTHING: Final = LetterPage((), (), 0.0, ())


def read_unlined(
    scan: Scan, ink: InkMap, seen: LeafMap, model: LoadedModel, *, asked: bool = False
) -> tuple[list[Staff], list[tuple[Glyph, Reading]], list[Remark]]:
    """Read a page on which no staff was found, if rows of heads stand on it.

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
        Of the kind "letters" where these give heights; of the kind "staffless" where the picture shows
        none, but rows of heads beyond doubt; else empty.
    signs : list of (Glyph, Reading)
        Ids still empty.
    remarks : list of Remark
    """
    best, best_p, bare = _NOTHING, 0.0, _NOTHING
    for leaf, look_of in _looks(scan, ink, seen, model):
        if not asked and not has_notes(look_of):
            continue
        page = read_letters(leaf, look_of, LEAF_SPACE / STRIDE, model)
        p = lettered_p(page.lettered, len(page.staves), page.sure_share)
        if page.staves and p > best_p:
            best, best_p = page, p
        if page.sure_share >= _SURE_HEADS_SHARE and page.sure_heads > bare.sure_heads:
            bare = page
        if best_p >= _SURE:
            break
    p = 1.0 if asked else best_p
    if best.staves and p >= 0.5:
        staves = [msgspec.structs.replace(staff, kind_p=round(p, 4)) for staff in best.staves]
        return staves, list(best.signs), list(best.remarks)
    return _without_heights(bare) if bare.sure_heads >= _LEAST_SURE_HEADS else ([], [], [])


def _without_heights(page: LetterPage) -> tuple[list[Staff], list[tuple[Glyph, Reading]], list[Remark]]:
    """Rows of heads on a page that shows no letter: names and contour are all it gives."""
    p = round(page.sure_share, 4)
    staves = [msgspec.structs.replace(staff, kind="staffless", kind_p=p) for staff in page.staves]
    signs = [
        (glyph, msgspec.structs.replace(reading, steps=()))
        for glyph, reading in page.signs
        if reading.label not in CLEFS
    ]
    return staves, signs, [NO_HEIGHTS]


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
    full = float(np.mean([len(staff.lines) for staff in staves])) >= _FULL_LINES
    page = _Doubt(staves, drawn, lines_seen, full, notes_outside(seen, ink, staves))
    if page.doubtful and words_under(seen, ink, staves) > _ON_WORDS:
        rows = read_unlined(scan, ink, seen, model)
        if _lettered(rows[0]):
            return None if page.letters_agree(rows[1]) else rows
        return ([], [], []) if any(staff.kind == "letters" for staff in rows[0]) else rows
    if not page.worth_a_look:
        return None
    rows = read_unlined(scan, ink, seen, model)
    if page.letters_win(*rows[:2]):
        return rows
    return rows if page.no_lines and not (_lettered(rows[0]) and page.letters_agree(rows[1])) else None


def _lettered(rows: Sequence[Staff]) -> bool:
    """Whether letters beyond doubt give the heights of rows."""
    return bool(rows) and rows[0].kind == "letters" and rows[0].kind_p >= _SURE


@dataclass(frozen=True, slots=True)
class _Doubt:
    """What speaks for and against a page's staves."""

    staves: Sequence[Staff]
    drawn: float
    lines_seen: float
    full: bool
    outside: float

    @property
    def doubtful(self) -> bool:
        return self.drawn < _DRAWN or self.lines_seen < _WELL_SEEN

    @property
    def imagined(self) -> bool:
        return self.full and self.lines_seen < _LINE_SEEN

    @property
    def worth_a_look(self) -> bool:
        pale = self.lines_seen < (_FULL_PALE if self.full else _FEW_PALE)
        return pale or self.outside >= _OUTSIDE_SHARE

    @property
    def no_lines(self) -> bool:
        """Whether hardly anything speaks for lines."""
        crowded = self.outside >= _TIMES_OUTSIDE * _OUTSIDE_SHARE
        return self.lines_seen < _NOT_SEEN and (crowded or self.drawn < _DRAWN)

    def letters_agree(self, signs: Signs) -> bool:
        """Whether letters stand where few lines say."""
        off = letters_off_lines(self.staves, signs)
        return not self.full and off is not None and off < _OFF_LINES

    def letters_win(self, rows: Sequence[Staff], signs: Signs) -> bool:
        """Whether rows with letters are what the page rather has."""
        if not _lettered(rows) or self.letters_agree(signs):
            return False
        of_staves = len(rows) / len(self.staves)
        off = letters_off_lines(self.staves, signs)
        if not self.full and off is not None and off >= _OFF_LINES and of_staves >= _MOST_ROWS:
            return True
        paired = sum(reading.label in CLEFS for _, reading in signs) / len(rows)
        if self.full and self.lines_seen < _FULL_PALE and paired >= _PAIRED and of_staves >= _MOST_ROWS:
            return True
        if self.outside < _OUTSIDE_SHARE and not self.imagined:
            return False
        if self.doubtful:
            return of_staves >= (_TIMES_IMAGINED if self.imagined else _TIMES_DOUBTFUL)
        if self.lines_seen < _FEW_PALE and self.outside >= _TIMES_FAR * _OUTSIDE_SHARE:
            return of_staves >= _TIMES_PALE
        return len(self.staves) <= _FEW_STAVES and of_staves >= _TIMES_FEW


def letters_off_lines(staves: Sequence[Staff], signs: Signs) -> float | None:
    """How far letters stand from where they should if lines near them are F and c lines.

    Parameters
    ----------
    staves : sequence of Staff
        Of few lines.
    signs : sequence of (Glyph, Reading)
        Letters among them count, by their names.

    Returns
    -------
    float or None
        Staff spaces, median; None for too few letters.
    """
    lines = [(line, staff.space_px) for staff in staves for line in staff.lines]
    off = []
    for glyph, reading in signs:
        if reading.label not in CLEFS or reading.confidence < _LETTER_P:
            continue
        above = [(line.row_at(glyph.col) - glyph.row) / space for line, space in lines]
        nearest = min(above, key=abs)
        if abs(nearest) > _BESIDE_SPACES:  # of a row without lines
            continue
        degree = CLEF_DEGREES[reading.label]
        off.append(min(abs(nearest - (degree - line) / 2) for line in _LINES))
    return float(np.median(off)) if len(off) >= _LEAST_LETTERS else None


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
        return _NOTHING
    spacing = fit_spacing([head for row in read for head in row.far_heads()])
    bare = [row.laid.id for row in read if not row.letters]
    believed = [row for row in read if any(dict(x.names)[name] >= _LETTER_P for x, name in row.letters)]
    heads = [reading.confidence for row in read for _, reading in row.placed if reading.label in HEADS]
    sure = sum(p >= _SURE_HEAD_P for p in heads)
    text_of = "No letter was found at the left of the row of neumes {}: contour only there."
    return LetterPage(
        staves=tuple(row.staff() for row in read),
        signs=tuple(sign for row in read for sign in row.signs(spacing)),
        lettered=len(believed) / len(read),
        remarks=tuple(Remark(code="letter-missing", text=text_of.format(x), staff=x) for x in bare),
        sure_heads=sure,
        sure_share=sure / max(1, len(heads)),
    )
