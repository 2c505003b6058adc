"""Ruling that is no staff: dry and lead lines beside staves, ruled text, tables, frames.

How often each comes is a choice for training, not a count: what looks most like a staff and is
none must be seen often.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from neumary_synth.paints import shade, thin
from neumary_synth.plan import Plan, TextSlot
from neumary_synth.ruling import wave
from neumary_synth.sheets import FlatLine, FlatPage, FlatStaff, Rgb, Sheet

_DRY: Final[tuple[Rgb, ...]] = ((182, 164, 136), (160, 138, 108), (150, 146, 142), (136, 112, 82))
_COLOURED: Final[tuple[Rgb, ...]] = (
    (150, 146, 142), (140, 112, 80), (178, 110, 96), (176, 74, 58), (134, 104, 140), (92, 104, 138),
    (84, 70, 58),
)  # fmt: skip
_BESIDE_SHARE: Final = 0.28  # of the pages with staves
_RULED_SHARE: Final = 0.5  # of the pages without any
_BLOCKS_SHARE: Final = 0.25  # of the pages with staves and blocks of words
_UNWRITTEN_SHARE: Final = 0.15  # of the pages of words alone
_MOST_ROWS: Final = 90
_SAME_ROW_SPACES: Final = 0.15
_LEAST_LEADING: Final = 0.7  # of the leading, from an empty line to the words below
_FAINT: Final = 80  # coverage of 255
_SECOND_LINE: Final = (1.4, 2.7)  # spaces from a staff's only line, where a second one would stand


@dataclass(frozen=True, slots=True)
class _Beside:
    """How one page's staves are accompanied; lengths in staff spaces."""

    offsets: tuple[float, ...]  # from the top line upwards, from the bottom line downwards if negative
    chance: float
    out: float  # how far beyond the staff's ends
    run_on: float  # chance that the staff's own lines go on, dry, beyond their end
    thickness: float
    strength: int


def rule_faintly(page: FlatPage, rng: np.random.Generator, plan: Plan) -> None:
    """Rule a written page with lines that are no staff lines, in place.

    Parameters
    ----------
    page : FlatPage
        Its staves are ruled already.
    rng : numpy Generator
    plan : Plan
    """
    lined = any(staff.lines for staff in page.staves)
    if lined and not plan.style.habits.printed and plan.kind != "layered" and rng.random() < _BESIDE_SHARE:
        _accompany(page, rng, plan.space_px)
    if rng.random() < (_BLOCKS_SHARE if lined else _RULED_SHARE):
        _rule_words(page, rng, plan, lined)


def left_to_write(rng: np.random.Generator, plan: Plan) -> tuple[TextSlot, ...]:
    """The blocks of words that get written: on some pages without staves a part stays ruled and empty."""
    if plan.kind != "text-only" or rng.random() >= _UNWRITTEN_SHARE:
        return plan.texts
    return tuple(text for text in plan.texts if rng.random() < 0.4)


# -- beside staves -------------------------------------------------------------------


def _accompany(page: FlatPage, rng: np.random.Generator, space_px: float) -> None:
    sheet = page.sheet("decoration", shade(rng, _DRY[int(rng.integers(len(_DRY)))], 10))
    offsets = [_offset(rng) for _ in range(int(rng.choice([1, 2, 3], p=[0.55, 0.33, 0.12])))]
    way = _Beside(
        tuple(offsets), rng.uniform(0.3, 1.0), rng.uniform(0.0, 4.0), 0.5 * (rng.random() < 0.3),
        rng.uniform(0.02, 0.055), int(rng.uniform(45, 170)),
    )  # fmt: skip
    for staff in page.staves:
        if not staff.lines:
            continue
        for offset in way.offsets:
            if rng.random() < way.chance:
                line = staff.lines[-1] if offset > 0 else staff.lines[0]
                off = offset * rng.normal(1, 0.04)
                _draw_beside(sheet, rng, line, off, way, space_px, _beside_strength(staff, line, off, way))
        if rng.random() < way.run_on:
            for line in staff.lines:
                _draw_on(sheet, rng, line, way, space_px)


def _offset(rng: np.random.Generator) -> float:
    """Mostly about a space out, where one more line would stand."""
    near = rng.random() < 0.65
    out = rng.uniform(0.8, 1.25) if near else rng.uniform(0.4, 2.6)
    return float(out if rng.random() < 0.5 else -out)


def _beside_strength(staff: FlatStaff, line: FlatLine, offset: float, way: _Beside) -> int:
    """How dark: beside lines of a like colour only a much fainter one can be told from a staff line.

    So can one where a second line would stand beside a staff's only line.
    """
    low, high = _SECOND_LINE
    second = len(staff.lines) == 1 and low < abs(offset) < high
    alike = line.colour in ("brown", "grey", "yellow")
    return min(way.strength, _FAINT) if alike or second else way.strength


def _draw_beside(
    sheet: Sheet, rng: np.random.Generator, line: FlatLine, offset: float, way: _Beside, space_px: float,
    strength: int,
) -> None:  # fmt: skip
    s = space_px
    start, end = (
        line.cols[0] - rng.uniform(-0.5, 1) * way.out * s,
        line.cols[-1] + rng.uniform(-0.5, 1) * way.out * s,
    )
    if rng.random() < 0.25:  # to be seen on a part only
        length = rng.uniform(0.35, 0.9) * (end - start)
        start += rng.uniform(0, end - start - length)
        end = start + length
    if end - start < 3 * s:
        return
    cols = np.linspace(start, end, max(int((end - start) / (2 * s)), 6))
    rows = np.interp(cols, line.cols, line.rows) - offset * s + wave(rng, len(cols), 0.03 * s)
    rows += rng.normal(0, 0.0015) * (cols - start)
    thin(sheet, np.stack([rows, cols], 1), max(way.thickness * s, 0.6), strength=strength)


def _draw_on(sheet: Sheet, rng: np.random.Generator, line: FlatLine, way: _Beside, space_px: float) -> None:
    """A staff line's dry ruling beyond its right end, as far as a gutter is wide, or further."""
    s, slope = space_px, (line.rows[-1] - line.rows[-2]) / max(line.cols[-1] - line.cols[-2], 1.0)
    cols = line.cols[-1] + np.array([0.0, rng.uniform(1.0, 5.0) * s])
    rows = line.rows[-1] + np.clip(slope, -0.02, 0.02) * (cols - cols[0])
    thin(sheet, np.stack([rows, cols], 1), max(way.thickness * s, 0.6), strength=min(way.strength, 110))


# -- under and round words -------------------------------------------------------------


def _rule_words(page: FlatPage, rng: np.random.Generator, plan: Plan, lined: bool) -> None:
    blocks = _blocks(rng, plan, lined)
    if not blocks:
        return
    s = plan.space_px
    sheet = page.sheet("decoration", shade(rng, _COLOURED[int(rng.integers(len(_COLOURED)))], 12))
    strength = int(rng.uniform(70, 255))
    thickness = max(rng.uniform(0.02, 0.07) * s, 0.7)
    out = rng.uniform(-0.2, 2.5) * s
    form = "text" if lined else str(rng.choice(["text", "pairs", "table", "frame"], p=[0.5, 0.2, 0.15, 0.15]))
    second = plan.style.xheight * s * rng.uniform(0.9, 1.2)
    for left, right, rows in blocks:
        if form == "pairs":
            rows = np.sort(np.concatenate([rows, rows - second]))
        for row in rows[:: int(rng.integers(1, 4)) if form == "table" else 1][:_MOST_ROWS]:
            _rule(sheet, rng, row, left - out, right + out, s, thickness, strength)
    if form in ("table", "frame"):
        every = np.sort(np.concatenate([rows for _, _, rows in blocks]))
        _upright(sheet, rng, plan, every, form, thickness, strength)


def _blocks(rng: np.random.Generator, plan: Plan, lined: bool) -> list[tuple[float, float, np.ndarray]]:
    """What is ruled in one go: from where to where, and at which rows.

    A page is ruled column by column, or, if it has no staves, from side to side at the rows of its
    fullest column, where the words of the others stand on those as well: nobody rules through words.
    """
    own = [(left, right, _word_rows(rng, plan, lined, left, right)) for left, right in plan.columns]
    across = plan.columns[0][0], plan.columns[-1][1]
    if not lined and rng.random() < 0.6:
        fullest = max((rows for _, _, rows in own), key=len)
        if all(_on_rows(rows, fullest, plan.space_px) for _, _, rows in own):
            own = [(*across, fullest)]
    return [block for block in own if len(block[2]) > 1]


def _on_rows(rows: np.ndarray, others: np.ndarray, space_px: float) -> bool:
    """Whether rows of words all lie on others that were ruled, or there are none."""
    if not len(rows) or not len(others):
        return not len(rows)
    return bool(np.abs(rows[:, None] - others).min(axis=1).max() < _SAME_ROW_SPACES * space_px)


def _word_rows(
    rng: np.random.Generator, plan: Plan, lined: bool, left: float, right: float
) -> np.ndarray:  # fmt: skip
    """Rows of the baselines of a column's words; on a page without staves, of lines left empty too."""
    style, s = plan.style, plan.space_px
    texts = [text for text in plan.texts if left <= (text.left + text.right) / 2 <= right]
    rows = [text.row + i * text.leading for text in texts for i in range(text.n_lines)]
    if not lined:
        slots = [slot for slot in plan.staves if left <= (slot.left + slot.right) / 2 <= right]
        rows += [slot.row + style.baseline * s for slot in slots]
    if not rows or lined or rng.random() < 0.5:
        return np.unique(np.round(rows, 1))
    leading = texts[0].leading if texts else style.pitch * s
    return _with_empty(np.unique(rows), leading, plan.frame[0], plan.frame[2] + rng.uniform(0, 3) * leading)


def _with_empty(rows: np.ndarray, leading: float, top: float, bottom: float) -> np.ndarray:
    """Rows of words, and of lines left empty above, between and below them."""
    above = np.arange(rows[0], top, -leading)[:0:-1]
    between = [
        np.arange(row + leading, below - _LEAST_LEADING * leading, leading) for row, below in pairwise(rows)
    ]
    return np.sort(np.concatenate([above, rows, *between, np.arange(rows[-1] + leading, bottom, leading)]))


def _rule(
    sheet: Sheet, rng: np.random.Generator, row: float, left: float, right: float, space_px: float,
    thickness: float, strength: int,
) -> None:  # fmt: skip
    cols = np.linspace(left, right, 12)
    rows = row + rng.normal(0, 0.03) * space_px + wave(rng, 12, 0.03 * space_px)
    thin(sheet, np.stack([rows, cols], 1), thickness * rng.uniform(0.8, 1.2), strength=strength)


def _upright(
    sheet: Sheet, rng: np.random.Generator, plan: Plan, rows: np.ndarray, form: str, thickness: float,
    strength: int,
) -> None:  # fmt: skip
    """A table's upright lines, or a frame of one to three lines round the words."""
    s, left, right = plan.space_px, plan.columns[0][0], plan.columns[-1][1]
    top, bottom = float(rows[0]) - rng.uniform(0.5, 2.5) * s, float(rows[-1]) + rng.uniform(0.2, 1.5) * s
    if form == "table":
        for col in np.sort(rng.uniform(left, right, int(rng.integers(3, 9)))):
            points = np.array([[top, col], [bottom, col + rng.normal(0, 0.1) * s]])
            thin(sheet, points, thickness, strength=strength)
        return
    for k in range(int(rng.integers(1, 4))):
        off = (0.4 + k * rng.uniform(0.3, 1.1)) * s
        box = [[top - off, left - off], [top - off, right + off], [bottom + off, right + off],
               [bottom + off, left - off]]  # fmt: skip
        thin(sheet, np.array(box), thickness, closed=True, strength=strength)
