"""Candidates and choice: from the network's sign maps to one set of signs per staff.

Candidates are over-generated as peaks of the heat map, far below the level at which
a sign is believed. The best set of candidates that do not claim the same ink is then
chosen exactly, group by group along the staff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from neumary.measures import with_odds
from neumary.strips import STRIP_SPACE, step_of_row
from neumary.types import F32, U8, Box, Glyph, Reading, Strip
from neumary_models import outputs
from neumary_models.labels import BY_NAME, HEADS, NAMES

CANDIDATE_P: Final = 0.08
"""Heat below which a peak is not even a candidate."""
HEAD_APART_SPACES: Final = 0.34
"""Two signs closer than this claim the same ink (the narrowest second seen is 0.45)."""
SURE_HEADS: Final = (0.8, 0.25)
"""Two heads both surer than the first may stand as near as the second, in spaces: repeated notes written into
each other (all 11 such pairs on rendered pages kept out of training were two)."""
_CLEF_OWN_SPACES: Final = (1.2, 0.45)
"""Half height and half width, around a clef's centre, where no head stands: of 825 drawn clefs none has one
within (1.3, 0.6)."""
_CUSTODES_APART_SPACES: Final = 1.5
"""A staff's end has one custos: a wave's two bows are no two of them."""
_SURE_CUSTOS_P: Final = 0.9
"""Custodes surer than this are alike sure."""
_BEYOND_SPACES: Final = 1.25
"""So far beyond the ends of three and more lines a head stands on nothing; words and initials stand there."""
_BEYOND_ODDS: Final = 0.05
"""What that leaves of its odds: of three drawn heads read there two were none, of all one in a hundred."""
_EXACT_GROUP: Final = 14  # larger groups of conflicting candidates are thinned greedily


@dataclass(frozen=True, slots=True)
class Calibration:
    """Turns raw network scores into probabilities that hold on unseen hands.

    Attributes
    ----------
    heat_slope, heat_offset : float
        P(sign) = sigmoid(slope * score + offset) (Platt 1999).
    label_temperature, shift_temperature, starts_temperature : float
        Divide the scores before softmax or sigmoid (Guo et al., ICML 2017).
    believe_p : float
        Calibrated probability from which a candidate counts as a note's head.
    believe_rare_p : float
        The same for clefs, accidentals, custodes and divisions: to miss one costs more.
    believe_clef_p, believe_custos_p : float or None
        The same for clefs and custodes by themselves; None takes `believe_rare_p`.
    """

    heat_slope: float = 1.0
    heat_offset: float = 0.0
    label_temperature: float = 1.0
    shift_temperature: float = 1.0
    starts_temperature: float = 1.0
    believe_p: float = 0.5
    believe_rare_p: float = 0.5
    believe_clef_p: float | None = None
    believe_custos_p: float | None = None

    def least_p(self, label: str) -> float:
        """Probability from which a sign of this name is believed."""
        if label in HEADS:
            return self.believe_p
        own = {"clef": self.believe_clef_p, "custos": self.believe_custos_p}.get(BY_NAME[label].group)
        return self.believe_rare_p if own is None else own


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One possible sign of a strip.

    Attributes
    ----------
    row, col : float
        Centre in strip pixels.
    p_sign : float
        Calibrated probability that a sign stands here.
    labels : ndarray of float32, shape (L,)
        Probabilities over `neumary_models.labels.NAMES`, given that it is a sign.
    steps : tuple of (int, float)
        Meant step and its probability, best first.
    starts : float
        Probability that a neume begins here.
    """

    row: float
    col: float
    p_sign: float
    labels: F32
    steps: tuple[tuple[int, float], ...]
    starts: float

    @property
    def label(self) -> str:
        """The likeliest label."""
        return NAMES[int(self.labels.argmax())]


def _sigmoid(x: F32 | float) -> F32:
    return np.asarray(1.0 / (1.0 + np.exp(-np.asarray(x, dtype=np.float64))), dtype=np.float32)


def _softmax(x: F32) -> F32:
    e = np.exp(x - x.max(axis=0, keepdims=True))
    return np.asarray(e / e.sum(axis=0, keepdims=True), dtype=np.float32)


def find_candidates(scores: F32, calibration: Calibration) -> list[Candidate]:
    """Peaks of the heat map with everything the network says about them.

    Parameters
    ----------
    scores : ndarray of float32, shape (C, h, w)
        Raw output for one strip, laid out as in `neumary_models.outputs`.
    calibration : Calibration

    Returns
    -------
    list of Candidate
        Left to right.
    """
    heat = scores[outputs.HEAT][0]
    floor = float(np.log(CANDIDATE_P / (1 - CANDIDATE_P)))
    peak = (heat >= cv2.dilate(heat, np.ones((3, 3), np.uint8))) & (heat > floor)
    rows, cols = np.nonzero(peak)
    order = np.lexsort((rows, cols))
    rows, cols = rows[order], cols[order]
    if not len(rows):
        return []
    at = scores[:, rows, cols]
    p_sign = _sigmoid(calibration.heat_slope * at[outputs.HEAT][0] + calibration.heat_offset)
    labels = _softmax(at[outputs.LABEL] / calibration.label_temperature)
    shifts = _softmax(at[outputs.SHIFT] / calibration.shift_temperature)
    starts = _sigmoid(at[outputs.STARTS][0] / calibration.starts_temperature)
    offset = np.clip(at[outputs.OFFSET], -2.0, 2.0)
    return [
        Candidate(
            row=float((rows[i] + offset[0, i]) * outputs.STRIDE + 0.5),
            col=float((cols[i] + offset[1, i]) * outputs.STRIDE + 0.5),
            p_sign=float(p_sign[i]),
            labels=labels[:, i],
            steps=_steps(int(rows[i]), shifts[:, i]),
            starts=float(starts[i]),
        )
        for i in range(len(rows))
    ]


def cell_step(row: int) -> int:
    """Nearest step of an output cell's centre; shifts are counted from it."""
    return int(np.floor(step_of_row(row * outputs.STRIDE + 0.5) + 0.5))


def _steps(row: int, shifts: F32) -> tuple[tuple[int, float], ...]:
    base = cell_step(row)
    pairs = [(base + shift, float(p)) for shift, p in zip(outputs.STEP_SHIFTS, shifts, strict=True)]
    return tuple(sorted((pair for pair in pairs if pair[1] >= 0.01), key=lambda pair: (-pair[1], pair[0])))


def doubt_beyond(candidates: list[Candidate], strip: Strip) -> list[Candidate]:
    """The candidates, those for heads less sure where they stand well beyond the ends of their staff.

    One and two lines are left out: such lines may stop where nothing needs them.
    """
    lines = strip.staff.lines
    if len(lines) < 3:
        return candidates
    left, right = min(line.cols[0] for line in lines), max(line.cols[-1] for line in lines)
    reach, pitch = _BEYOND_SPACES * STRIP_SPACE, strip.staff.space_px / STRIP_SPACE
    first, last = ((col - float(strip.page_cols[0, 0])) / pitch for col in (left, right))

    def doubted(c: Candidate) -> Candidate:
        if c.label not in HEADS or first - reach <= c.col <= last + reach:
            return c
        return replace(c, p_sign=with_odds(c.p_sign, _BEYOND_ODDS))

    return [doubted(c) for c in candidates]


def choose(candidates: list[Candidate], believed: Calibration | float) -> list[Candidate]:
    """The best set of candidates of which no two claim the same ink.

    Each candidate is worth its log odds over the level from which it is believed, a calibration's
    own or one for all; the set of greatest worth is found exactly within each group of candidates
    that conflict.
    """
    least = [believed if isinstance(believed, float) else believed.least_p(c.label) for c in candidates]
    worth = np.array([_log_odds(c.p_sign) - _log_odds(p) for c, p in zip(candidates, least, strict=True)])
    kept: list[Candidate] = []
    for group in _conflict_groups(candidates):
        group = [i for i in group if worth[i] > 0]
        kept.extend(candidates[i] for i in _best_subset(group, candidates, worth))
    return _one_custos_each(sorted(kept, key=lambda c: (c.col, -c.row)))


def _one_custos_each(signs: list[Candidate]) -> list[Candidate]:
    """Signs from left to right, of two custodes with no note or clef between them only the surer.

    Where both are as good as sure the later one stays: a custos is the last sign before the next staff.
    """
    kept: list[Candidate] = []
    open_at: int | None = None
    for sign in signs:
        if sign.label in HEADS or _is_clef(sign):
            open_at = None
        elif sign.label == "custos":
            if open_at is not None:
                if min(kept[open_at].p_sign, _SURE_CUSTOS_P) > sign.p_sign:
                    continue
                del kept[open_at]
            open_at = len(kept)
        kept.append(sign)
    return kept


def _log_odds(p: float) -> float:
    p = min(max(p, 1e-6), 1 - 1e-6)
    return float(np.log(p / (1 - p)))


def _clash(a: Candidate, b: Candidate) -> bool:
    rows, cols = abs(a.row - b.row), abs(a.col - b.col)
    if max(rows, cols) >= _CUSTODES_APART_SPACES * STRIP_SPACE:
        return False  # no signs further apart do; most pairs are
    # The blocks of a clef look like heads; no head stands over, under or in a clef.
    if (a.label in HEADS and _is_clef(b)) or (b.label in HEADS and _is_clef(a)):
        half_rows, half_cols = _CLEF_OWN_SPACES
        if rows < half_rows * STRIP_SPACE and cols < half_cols * STRIP_SPACE:
            return True
    if a.label == b.label == "custos":
        return True
    sure = a.label in HEADS and b.label in HEADS and min(a.p_sign, b.p_sign) > SURE_HEADS[0]
    apart = SURE_HEADS[1] if sure else HEAD_APART_SPACES
    return rows**2 + cols**2 < (apart * STRIP_SPACE) ** 2


def _is_clef(candidate: Candidate) -> bool:
    return BY_NAME[candidate.label].group == "clef"


def _conflict_groups(candidates: list[Candidate]) -> list[list[int]]:
    groups: list[list[int]] = []
    member: dict[int, int] = {}
    for i, here in enumerate(candidates):
        touching = {member[j] for j in range(i) if _clash(here, candidates[j])}
        if not touching:
            member[i] = len(groups)
            groups.append([i])
            continue
        home, *others = sorted(touching)
        for other in others:
            groups[home].extend(groups[other])
            for j in groups[other]:
                member[j] = home
            groups[other] = []
        groups[home].append(i)
        member[i] = home
    return [group for group in groups if group]


def _best_subset(group: list[int], candidates: list[Candidate], worth: F32) -> list[int]:
    if len(group) > _EXACT_GROUP:
        group = sorted(group, key=lambda i: -worth[i])[:_EXACT_GROUP]
    best: tuple[float, list[int]] = (0.0, [])
    stack: list[tuple[int, float, list[int]]] = [(0, 0.0, [])]
    while stack:
        at, value, chosen = stack.pop()
        if value > best[0]:
            best = (value, chosen)
        if at == len(group):
            continue
        stack.append((at + 1, value, chosen))
        i = group[at]
        if not any(_clash(candidates[i], candidates[j]) for j in chosen):
            stack.append((at + 1, value + float(worth[i]), [*chosen, i]))
    return best[1]


def place(strip: Strip, line_free: U8, chosen: list[Candidate]) -> list[tuple[Glyph, Reading]]:
    """Signs of a strip as glyphs on the page with their readings; ids are given later.

    Parameters
    ----------
    strip : Strip
    line_free : ndarray of uint8, shape (h, w)
        Ink without staff lines, from `neumary.erase`.
    chosen : list of Candidate
    """
    out = []
    for candidate in chosen:
        box = _ink_box(strip, line_free, candidate)
        row, col = _to_page(strip, candidate.row, candidate.col)
        glyph = Glyph(id="", staff=strip.staff.id, row=row, col=col, box=box)
        out.append((glyph, _reading(candidate)))
    return out


def _reading(candidate: Candidate) -> Reading:
    order = np.argsort(-candidate.labels, kind="stable")
    label = NAMES[int(order[0])]
    rivals = tuple(
        (NAMES[int(i)], float(candidate.p_sign * candidate.labels[i]))
        for i in order[1:4]
        if candidate.labels[i] >= 0.01
    )
    is_head = label in HEADS
    pitched = label != "division"
    return Reading(
        glyph="",
        label=label,
        confidence=float(candidate.p_sign * candidate.labels[order[0]]),
        rivals=rivals,
        step=candidate.steps[0][0] if pitched else None,
        steps=candidate.steps if pitched else (),
        starts_neume=candidate.starts if is_head else 1.0,
    )


def _to_page(strip: Strip, row: float, col: float) -> tuple[float, float]:
    height, width = strip.page_rows.shape
    r, c = _within(row, 0, height - 1), _within(col, 0, width - 1)
    top, left = int(r), int(c)
    below, right = min(top + 1, height - 1), min(left + 1, width - 1)
    fr, fc = r - top, c - left

    def between(grid: F32) -> float:
        upper = grid[top, left] * (1 - fc) + grid[top, right] * fc
        lower = grid[below, left] * (1 - fc) + grid[below, right] * fc
        return float(upper * (1 - fr) + lower * fr)

    return between(strip.page_rows), between(strip.page_cols)


def _within(value: float, low: int, high: int) -> float:
    """Clip one number: numpy takes twenty times as long for a single one."""
    return min(max(float(value), low), high)


_WINDOW_SPACES: Final = {
    "clef": (1.4, 0.9),
    "accidental": (1.1, 0.6),
    "division": (2.5, 0.35),
    "custos": (1.0, 0.6),
}
_HEAD_WINDOW: Final = (0.62, 0.55)  # half height, half width a head may reach from its centre


def _ink_box(strip: Strip, line_free: U8, candidate: Candidate) -> Box:
    """Box of the ink that hangs together with the sign's centre, within a sign's reach."""
    half_rows, half_cols = _WINDOW_SPACES.get(BY_NAME[candidate.label].group, _HEAD_WINDOW)
    height, width = line_free.shape
    top = int(_within(candidate.row - half_rows * STRIP_SPACE, 0, height - 1))
    bottom = int(_within(candidate.row + half_rows * STRIP_SPACE + 1, top + 1, height))
    left = int(_within(candidate.col - half_cols * STRIP_SPACE, 0, width - 1))
    right = int(_within(candidate.col + half_cols * STRIP_SPACE + 1, left + 1, width))
    window = line_free[top:bottom, left:right]
    level = max(40, int(window.max()) // 2)
    inked = (window >= level).view(np.uint8)
    _, parts, stats, _ = cv2.connectedComponentsWithStats(inked, connectivity=8)
    at = (
        int(_within(candidate.row - top, 0, bottom - top - 1)),
        int(_within(candidate.col - left, 0, right - left - 1)),
    )
    # Heads own the ink at their centre; a clef's blocks or a stroke may leave theirs bare.
    reach = 2 if candidate.label in HEADS else int(0.45 * STRIP_SPACE)
    near = parts[max(0, at[0] - reach) : at[0] + reach + 1, max(0, at[1] - 3) : at[1] + 4]
    ids = sorted({int(part) for part in near.ravel().tolist()} - {0})
    if ids:
        boxes = np.asarray(stats)[ids].tolist()  # left, top, width, height, area
        r0, c0 = min(box[1] for box in boxes), min(box[0] for box in boxes)
        r1, c1 = max(box[1] + box[3] for box in boxes), max(box[0] + box[2] for box in boxes)
        top, bottom, left, right = top + r0, top + r1, left + c0, left + c1
    page_rows = strip.page_rows[top:bottom, left:right]
    page_cols = strip.page_cols[top]  # alike in all rows, rising
    return Box(
        max(0, math.floor(page_rows.min())),
        max(0, math.floor(page_cols[left])),
        max(1, math.ceil(page_rows.max()) + 1),
        max(1, math.ceil(page_cols[right - 1]) + 1),
    )
