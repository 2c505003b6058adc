"""Neumes as a scribe writes them: heads placed by contour, joined, tailed, pushed apart.

What the truth says
-------------------
* `Drawn.row`, `Drawn.col` are the centre of the head's own ink; its box holds the head
  without stems, tails and joints. `Drawn.step` is the step meant, however high the ink stands.
* "virga": a free tail of at least 0.35 space, down or up, on either side of a head, drawn for its own sake.
  A thin tick below 0.32 space, a hairline joining two heads, the left stem before a clivis or
  an oblique: none of these makes a virga, the head stays "punctum".
* A hand that gives every single head a tail, or none, overrules the label asked for:
  `Drawn.label` is what was drawn.
* Each end of an oblique is its own "oblique".

The habits are those seen on leaves (common practice, no published source): the heads of a
stacked second stand further apart than the lines ask, the right end of an oblique sags.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from neumary_synth.clefs import draw_clef
from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.heads import Spot, add_head, bent_stroke, oblique
from neumary_synth.marks import draw_accidental, draw_custos, draw_division
from neumary_synth.pen import U8, Ink, ribbon
from neumary_synth.staffless import draw_staffless

__all__ = [
    "Drawn",
    "Stand",
    "draw_accidental",
    "draw_clef",
    "draw_custos",
    "draw_division",
    "draw_neume",
    "draw_staffless",
]

VIRGA_TAIL_SPACES = 0.35  # a free tail from here on makes a virga
_TICK_SPACES = 0.32  # no tick is longer


@dataclass(slots=True)
class _Head:
    """A head planned: where it should stand, and how it came there."""

    label: str
    step: int
    row: float
    col: float
    width: float
    height: float
    move: (
        str  # "first", "same", "fall", "rise", "stack", "run" (inclinatum), "band" (right end of an oblique)
    )
    strength: float = 1.0
    pinned: bool = False  # already pushed by its lower neighbour

    @property
    def left(self) -> float:
        return self.col - self.width / 2

    @property
    def right(self) -> float:
        return self.col + self.width / 2


def draw_neume(
    mask: U8,
    hand: Hand,
    rng: np.random.Generator,
    stand: Stand,
    col: float,
    notes: Sequence[tuple[str, int]],
) -> tuple[list[Drawn], float]:
    """Draw one neume, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage, 0 none .. 255 full; what lies outside is clipped.
    hand : Hand
    rng : numpy.random.Generator
    stand : Stand
    col : float
        Left edge of the first head, px.
    notes : sequence of (label, step)
        In the order sung. "oblique" comes in falling pairs.

    Returns
    -------
    drawn : list of Drawn
        In the order sung.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If there are no notes, or an oblique is not a falling pair.
    """
    heads = _plan(hand, rng, stand, col, _asked(hand, notes))
    ink = Ink()
    if _bends(hand, heads) and rng.random() < hand.bent_p:
        spots = bent_stroke(
            ink, hand, rng, [(h.row, h.col) for h in heads], stand.space_px, heads[0].strength
        )
    else:
        spots = _add_heads(ink, hand, rng, stand, heads)
        _add_joints(ink, hand, rng, stand, heads)
        _add_tails(ink, hand, rng, stand, heads)
    flow = hand.flow(stand.space_px)
    if rng.random() < hand.patchy:
        flow = replace(flow, dry=float(rng.uniform(0.3, 1.5)), grain=float(rng.uniform(0.2, 0.6)))
    ink.lay(mask, rng, flow)
    drawn = [
        Drawn(h.label, s.row, s.col, s.top, s.left, s.bottom, s.right, h.step, i == 0)
        for i, (h, s) in enumerate(zip(heads, spots, strict=True))
    ]
    return drawn, ink.box()[3]


def _bends(hand: Hand, heads: list[_Head]) -> bool:
    """Whether a neume can be written in one bent stroke: two to four joined heads on different steps."""
    if hand.bent_p <= 0 or not 2 <= len(heads) <= 4:
        return False
    return all(a.step != b.step and b.move in ("fall", "rise") for a, b in pairwise(heads)) and all(
        h.label == "punctum" for h in heads
    )


def _asked(hand: Hand, notes: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
    """The notes with the hand's habit about tails applied, and obliques checked."""
    if not notes:
        raise ValueError("a neume needs at least one note")
    asked = list(notes)
    i = 0
    while i < len(asked):
        if asked[i][0] == "oblique":
            if i + 1 == len(asked) or asked[i + 1][0] != "oblique" or asked[i + 1][1] >= asked[i][1]:
                raise ValueError(f"note {i + 1} of a neume: an oblique needs a second, lower end after it")
            i += 1
        i += 1
    if hand.tails == "never":
        return [("punctum" if label == "virga" else label, step) for label, step in asked]
    if hand.tails == "always" and len(asked) == 1 and asked[0][0] == "punctum":
        return [("virga", asked[0][1])]
    return asked


def _plan(
    hand: Hand, rng: np.random.Generator, stand: Stand, col: float, notes: list[tuple[str, int]]
) -> list[_Head]:
    space = stand.space_px
    load = float(np.clip(rng.normal(hand.ink, hand.ink_spread), 0.42, 1))
    heads: list[_Head] = []
    for i, (label, step) in enumerate(notes):
        size = np.clip(rng.normal(1, hand.head_spread, 2), 0.7, 1.35)
        head = _Head(label, step, 0.0, 0.0, _width(hand, label) * space * size[0], size[1], "first")
        fade = float(np.clip(load * (1 + rng.normal(0, 0.6 * hand.ink_spread)) - 0.015 * i, 0.42, 1))
        head.strength = fade
        if not heads:
            head.col = col + head.width / 2
        else:
            _follow(hand, rng, space, heads, head, rises_on=i + 1 < len(notes) and notes[i + 1][1] > step)
        head.row = stand.row_of(step, head.col) + float(rng.normal(0, hand.row_spread)) * space
        heads.append(head)
        if len(heads) > 1:
            _push_apart(hand, rng, space, heads)
    return heads


def _width(hand: Hand, label: str) -> float:
    if label == "inclinatum":
        return hand.inclinatum_width
    if label == "quilisma":
        return max(0.55, 0.9 * hand.head_width + 0.08 * hand.quilisma_teeth)
    if label == "oriscus":
        return max(0.55, hand.head_width)
    if label == "liquescent":
        return (
            hand.head_width
            * {"small": 0.6, "hooked": 0.75, "twin": 0.62, "plica": 0.62, "auctum": 1.05}[hand.liquescent]
        )
    return hand.head_width


def _follow(
    hand: Hand, rng: np.random.Generator, space: float, heads: list[_Head], head: _Head, rises_on: bool
) -> None:
    """Choose the column of a head from the one before it."""
    last = heads[-1]
    move = head.step - last.step
    if head.label == "oblique" and last.label == "oblique" and _open_band(heads):
        head.move = "band"
        length = hand.oblique_length * space * (0.75 + 0.16 * min(5, -move)) * (1 + rng.normal(0, 0.08))
        head.width = 0.4 * space
        head.col = last.left + max(length, 0.6 * space) - head.width / 2
        return
    if head.label == "oblique":
        head.width = 0.4 * space
    touch = {
        "gap": hand.gap,
        "corner": 0.0,
        "hairline": 0.4 * hand.gap,
        "overlap": -0.8 * hand.gap,
    }[hand.touch] * space + float(rng.normal(0, 0.03)) * space
    if move == 0:
        head.move = "same"
        head.col = last.right + (0.08 + max(0.06, hand.gap) * rng.uniform(0.7, 2.0)) * space + head.width / 2
    elif move < 0 and head.label == "inclinatum":
        head.move = "run"
        reach = hand.inclinatum_advance * space * (1 + float(rng.normal(0, 0.08)))
        head.col = (
            (last.col + reach)
            if last.label == "inclinatum"
            else max(last.col + reach, last.right + 0.35 * head.width)
        )
    elif move < 0:
        head.move = "fall"
        head.col = last.right + touch + head.width / 2
    elif _stacks(hand, rng, last, head, rises_on):
        head.move = "stack"
        anchor = last.right - head.width / 2 if last.label == "oblique" else last.col
        head.col = anchor + (hand.stack_shift + float(rng.normal(0, 0.05))) * head.width
    else:
        head.move = "rise"
        head.col = last.right + touch + head.width / 2


def _open_band(heads: list[_Head]) -> bool:
    return heads[-1].label == "oblique" and heads[-1].move != "band"


def _stacks(hand: Hand, rng: np.random.Generator, last: _Head, head: _Head, rises_on: bool) -> bool:
    if head.label in ("quilisma", "oblique", "oriscus") or last.label in (
        "inclinatum",
        "quilisma",
        "stropha",
    ):
        return False
    if last.move == "stack":
        return False
    chance = hand.stack_p * (0.45 if rises_on else 1.0)
    return bool(rng.random() < chance)


def _push_apart(hand: Hand, rng: np.random.Generator, space: float, heads: list[_Head]) -> None:
    """Scribes part the heads of a second that would run into each other."""
    low, new = heads[-2], heads[-1]
    step_px = space / 2
    if new.move == "band":
        new.row += hand.oblique_sag_steps * step_px * float(rng.uniform(0.4, 1.0))
    elif new.move == "stack" and new.step - low.step == 1:
        push = hand.push_steps * step_px * float(rng.uniform(0.75, 1.2)) * (1 - max(0.0, hand.stack_shift))
        share = hand.push_upper if not low.pinned and low.label != "oblique" else 1.0
        new.row -= push * share
        low.row += push * (1 - share)
        new.pinned = True
    elif new.move == "fall" and new.step - low.step == -1:
        push = hand.fall_push_steps * step_px * float(rng.uniform(0.3, 1.0))
        share = 0.6 if not low.pinned and low.label != "oblique" else 1.0
        new.row += push * share
        low.row -= push * (1 - share)
        new.pinned = True
    elif new.move == "rise" and new.step - low.step == 1:
        new.row -= 0.5 * hand.fall_push_steps * step_px * float(rng.uniform(0, 1.0))


def _add_heads(
    ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[_Head]
) -> list[Spot]:
    space = stand.space_px
    spots: list[Spot] = []
    for i, head in enumerate(heads):
        if head.move == "band":
            continue
        if head.label == "oblique":
            end = heads[i + 1]
            outline, first, second = oblique(hand, rng, ((head.row, head.left), (end.row, end.right)), space)
            ink.fill(outline, head.strength)
            spots.extend((first, second))
            continue
        stacked = head.move == "stack" or (i + 1 < len(heads) and heads[i + 1].move == "stack")
        size = (head.height * (0.93 if stacked else 1.0), head.width / (hand.head_width * space))
        rises = i > 0 and head.step > heads[i - 1].step
        spots.append(
            add_head(ink, hand, rng, head.label, (head.row, head.col), space, head.strength, size, rises)
        )
        _spur(ink, hand, rng, stand, head)
    return spots


def _spur(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, head: _Head) -> None:
    """Ink running a little way along the staff line that a head stands on."""
    if hand.spur_p > 0 and head.step % 2 == 0 and rng.random() < hand.spur_p:
        row = stand.row_of(head.step, head.right)
        reach = float(rng.uniform(0.08, 0.25)) * stand.space_px
        path = np.array([[row, head.right - 0.1 * stand.space_px], [row, head.right + reach]])
        ink.fill(ribbon(path, np.array([0.16, 0.03]) * stand.space_px), head.strength)


def _thin(hand: Hand, space: float) -> float:
    return max(0.6, hand.hairline * space)


def _vertical(
    ink: Ink, hand: Hand, rng: np.random.Generator, space: float, col: float, rows: tuple[float, float]
) -> None:
    """A hairline between two rows, hardly ever quite upright."""
    drift = float(rng.normal(0, 0.025)) * (rows[1] - rows[0]) - 0.3 * hand.lean * (rows[1] - rows[0])
    strength = hand.hairline_ink * float(rng.uniform(0.75, 1.05))
    path = np.array([[rows[0], col], [rows[1], col + drift]])
    ink.fill(ribbon(path, _thin(hand, space) * np.array([1.15, 0.85])), min(1.0, strength))


def _slanted_joint(ink: Ink, hand: Hand, space: float, low: _Head, new: _Head) -> None:
    """Pointed hands go from head to head without lifting: thin upward, heavier downward."""
    weight = np.array([1.0, 1.3]) if new.move == "rise" else np.array([2.0, 1.2])
    path = np.array([[low.row, low.col + 0.3 * low.width], [new.row, new.col - 0.3 * new.width]])
    ink.fill(ribbon(path, weight * _thin(hand, space)), 0.9 * min(low.strength, new.strength))


def _add_joints(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[_Head]) -> None:
    space = stand.space_px
    fall_p = {"gap": 0.25, "corner": 0.45, "hairline": 0.95, "overlap": 0.5}[hand.touch]
    over = hand.tick_over * space
    for low, new in pairwise(heads):
        wide = abs(new.step - low.step) >= 3
        if hand.style == "pointed" and new.move in ("fall", "rise") and rng.random() < 0.75:
            _slanted_joint(ink, hand, space, low, new)
            continue
        if new.move == "fall" and (wide or rng.random() < fall_p):
            _vertical(ink, hand, rng, space, (low.right + new.left) / 2, (low.row - over, new.row))
        elif new.move == "rise" and (wide or rng.random() < 0.8 * fall_p):
            _vertical(ink, hand, rng, space, (low.right + new.left) / 2, (new.row - over, low.row))
        elif new.move == "stack" and rng.random() < hand.stack_joint_p:
            foot = low.row + float(rng.uniform(-0.1, 0.5)) * hand.head_height * space
            edge = new.right + hand.detach * space - 0.5 * _thin(hand, space)
            _vertical(ink, hand, rng, space, edge, (new.row - 0.3 * hand.head_height * space - over, foot))
    for i, head in enumerate(heads):
        falls = i + 1 < len(heads) and heads[i + 1].move in ("fall", "band")
        chance = hand.oblique_stem_p if head.label == "oblique" else hand.clivis_stem_p
        if head.move == "first" and falls and head.label in ("punctum", "oblique") and rng.random() < chance:
            length = hand.clivis_stem_length * float(rng.uniform(0.7, 1.2)) * space
            inside = head.left + 0.4 * _thin(hand, space)
            _vertical(ink, hand, rng, space, inside, (head.row, head.row + 0.3 * space + length))


def _add_tails(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[_Head]) -> None:
    space = stand.space_px
    for i, head in enumerate(heads):
        if head.label == "virga":
            _tail(ink, hand, rng, space, head, heads[i - 1] if head.move == "stack" else None)
        elif head.label == "punctum" and hand.ticks != "none" and rng.random() < hand.tick_p:
            if i + 1 < len(heads) and heads[i + 1].move in ("fall", "stack", "rise"):
                continue  # the joint stands where the tick would
            _ticks(ink, hand, rng, space, head)


def _tail(
    ink: Ink, hand: Hand, rng: np.random.Generator, space: float, head: _Head, below: _Head | None
) -> None:
    length = max(1.15 * VIRGA_TAIL_SPACES, hand.stem_length * (1 + hand.stem_spread * float(rng.normal())))
    rising = below is None and rng.random() < hand.stem_up_p
    half = 0.5 * hand.head_height * space
    foot = max(head.row, below.row if below else head.row) + half + length * space
    end = head.row - half - length * space if rising else foot
    root_px = max(0.9, hand.stem_width * space)
    side = 1.0 if hand.stem_side == "right" or rising else -1.0
    edge = head.col + side * (head.width / 2 - 0.45 * root_px + hand.detach * space)
    slope = -0.25 * hand.lean * (end - head.row) + float(rng.normal(0, 0.02)) * length * space
    path = np.array([[head.row - hand.tick_over * space, edge], [end, edge + slope]])
    thin = max(0.6, 0.6 * min(hand.hairline, hand.stem_width) * space)
    strength = max(hand.hairline_ink, 0.4) * head.strength * float(rng.uniform(0.85, 1.1))
    ink.fill(ribbon(path, np.array([root_px, thin])), min(1.0, strength))


def _ticks(ink: Ink, hand: Hand, rng: np.random.Generator, space: float, head: _Head) -> None:
    half = 0.5 * hand.head_height * space
    reach = min(_TICK_SPACES, hand.tick_length * float(rng.uniform(0.6, 1.4))) * space
    top = head.row - half - hand.tick_over * space
    inset = 0.45 * _thin(hand, space) - hand.detach * space
    _vertical(
        ink,
        hand,
        rng,
        space,
        head.right - inset,
        (top if hand.tick_over else head.row, head.row + half + reach),
    )
    if hand.ticks == "both":
        short = reach * float(rng.uniform(0.4, 1.0))
        _vertical(ink, hand, rng, space, head.left + max(inset, 0.0), (head.row, head.row + half + short))
