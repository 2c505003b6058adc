"""A neume planned: which heads, where each should stand, and how scribes push them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from neumary_synth.drawn import Stand
from neumary_synth.hand import Hand
from neumary_synth.ornaments import LIQUESCENT_WIDTHS, quilisma_width


@dataclass(slots=True)
class Head:
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
    scale: float = 1.0  # of an inclinatum
    pinned: bool = False  # already pushed by its lower neighbour

    @property
    def left(self) -> float:
        """Left edge, px."""
        return self.col - self.width / 2

    @property
    def right(self) -> float:
        """Right edge, px."""
        return self.col + self.width / 2


def bends(hand: Hand, heads: list[Head]) -> bool:
    """Whether a neume can be written in one bent stroke: two to four joined heads on different steps."""
    if hand.bent_p <= 0 or not 2 <= len(heads) <= 4:
        return False
    return all(a.step != b.step and b.move in ("fall", "rise") for a, b in pairwise(heads)) and all(
        h.label == "punctum" for h in heads
    )


def asked_notes(hand: Hand, notes: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
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


def plan_heads(
    hand: Hand, rng: np.random.Generator, stand: Stand, col: float, notes: list[tuple[str, int]]
) -> list[Head]:
    """Choose size, ink and place of every head, the first one's left edge at a column."""
    space = stand.space_px
    load = float(np.clip(rng.normal(hand.ink, hand.ink_spread), 0.42, 1))
    heads: list[Head] = []
    run, shrink = float(rng.uniform(0.82, 1.2)), float(rng.choice([1.0, rng.uniform(0.86, 1.0)]))
    for i, (label, step) in enumerate(notes):
        size = np.clip(rng.normal(1, hand.head_spread, 2), 0.7, 1.35)
        head = Head(label, step, 0.0, 0.0, _width(hand, label) * space * size[0], size[1], "first")
        if label == "inclinatum":
            head.scale, run = run, run * shrink
            head.width *= head.scale
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
        return quilisma_width(hand)
    if label == "oriscus":
        return max(0.55, hand.head_width)
    if label == "liquescent":
        return hand.head_width * LIQUESCENT_WIDTHS[hand.liquescent]
    return hand.head_width


def _follow(
    hand: Hand, rng: np.random.Generator, space: float, heads: list[Head], head: Head, rises_on: bool
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
    share = {"gap": 1.0, "corner": 0.0, "hairline": 0.4, "overlap": -0.8}[hand.touch]
    touch = (share * hand.gap + float(rng.normal(0, 0.03))) * space
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


def _open_band(heads: list[Head]) -> bool:
    return heads[-1].label == "oblique" and heads[-1].move != "band"


def _stacks(hand: Hand, rng: np.random.Generator, last: Head, head: Head, rises_on: bool) -> bool:
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


def _push_apart(hand: Hand, rng: np.random.Generator, space: float, heads: list[Head]) -> None:
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
