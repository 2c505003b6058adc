"""Neumes as a scribe writes them: heads placed by contour, joined, tailed, pushed apart.

What the truth says
-------------------
* `Drawn.row`, `Drawn.col` are the centre of the head's own ink; its box holds the head
  without stems, tails and joints. `Drawn.step` is the step meant, however high the ink stands.
* "virga": a free tail of at least 0.35 space, down or up, on either side of a head, drawn for its own sake.
  A thin tick below 0.2 space, a hairline joining two heads, the left stem before a clivis or
  an oblique: none of these makes a virga, the head stays "punctum".
* A hand that gives every single head a tail, or none, overrules the label asked for:
  `Drawn.label` is what was drawn.
* Each end of an oblique is its own "oblique".

The habits are those seen on leaves (common practice, no published source): the heads of a
stacked second stand further apart than the lines ask, the right end of an oblique sags.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from neumary_synth.clefs import draw_clef
from neumary_synth.custodes import draw_custos
from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.heads import add_head, bent_stroke, oblique
from neumary_synth.marks import draw_accidental, draw_division
from neumary_synth.neume_plan import Head, asked_notes, bends, plan_heads
from neumary_synth.outlines import Spot
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
_TICK_SPACES = 0.2  # no tick is longer: in worn ink a longer one could be a virga's tail


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
    heads = plan_heads(hand, rng, stand, col, asked_notes(hand, notes))
    ink = Ink()
    if bends(hand, heads) and rng.random() < hand.bent_p:
        spots = bent_stroke(
            ink, hand, rng, [(h.row, h.col) for h in heads], stand.space_px, heads[0].strength
        )
    else:
        spots = _add_heads(ink, hand, rng, stand, heads)
        _add_joints(ink, hand, rng, stand, heads)
        _add_tails(ink, hand, rng, stand, heads)
    flow = hand.flow(stand.space_px)
    if rng.random() < hand.patchy:
        flow = replace(flow, dry=float(rng.uniform(0.3, 1.1)), grain=float(rng.uniform(0.2, 0.6)))
    ink.lay(mask, rng, flow)
    drawn = [
        Drawn(h.label, s.row, s.col, s.top, s.left, s.bottom, s.right, h.step, i == 0)
        for i, (h, s) in enumerate(zip(heads, spots, strict=True))
    ]
    return drawn, ink.box()[3]


def _add_heads(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[Head]) -> list[Spot]:
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
            add_head(
                ink,
                hand,
                rng,
                head.label,
                (head.row, head.col),
                space,
                head.strength,
                size,
                rises,
                head.scale,
            )
        )
        _spur(ink, hand, rng, stand, head)
    return spots


def _spur(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, head: Head) -> None:
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


def _slanted_joint(ink: Ink, hand: Hand, space: float, low: Head, new: Head) -> None:
    """Pointed hands go from head to head without lifting: thin upward, heavier downward."""
    weight = np.array([1.0, 1.3]) if new.move == "rise" else np.array([2.0, 1.2])
    path = np.array([[low.row, low.col + 0.3 * low.width], [new.row, new.col - 0.3 * new.width]])
    ink.fill(ribbon(path, weight * _thin(hand, space)), 0.9 * min(low.strength, new.strength))


def _add_joints(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[Head]) -> None:
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


def _add_tails(ink: Ink, hand: Hand, rng: np.random.Generator, stand: Stand, heads: list[Head]) -> None:
    space = stand.space_px
    for i, head in enumerate(heads):
        if head.label == "virga":
            _tail(ink, hand, rng, space, head, heads[i - 1] if head.move == "stack" else None)
        elif head.label == "punctum" and hand.ticks != "none" and rng.random() < hand.tick_p:
            if i + 1 < len(heads) and heads[i + 1].move in ("fall", "stack", "rise"):
                continue  # the joint stands where the tick would
            _ticks(ink, hand, rng, space, head)


def _tail(
    ink: Ink, hand: Hand, rng: np.random.Generator, space: float, head: Head, below: Head | None
) -> None:
    length = max(1.4 * VIRGA_TAIL_SPACES, hand.stem_length * (1 + hand.stem_spread * float(rng.normal())))
    rising = below is None and rng.random() < hand.stem_up_p
    half = 0.5 * hand.head_height * space
    foot = max(head.row, below.row if below else head.row) + half + length * space
    end = head.row - half - length * space if rising else foot
    root_px = max(0.9, hand.stem_width * space)
    side = 1.0 if hand.stem_side == "right" or rising else -1.0
    edge = head.col + side * (head.width / 2 - 0.45 * root_px + hand.detach * space)
    slope = -0.25 * hand.lean * (end - head.row) + float(rng.normal(0, 0.02)) * length * space
    path = np.array([[head.row - hand.tick_over * space, edge], [end, edge + slope]])
    thin = max(0.7, 0.7 * min(hand.hairline, hand.stem_width) * space)
    strength = max(hand.hairline_ink, 0.5) * head.strength * float(rng.uniform(0.85, 1.1))
    ink.fill(ribbon(path, np.array([root_px, thin])), min(1.0, strength))


def _ticks(ink: Ink, hand: Hand, rng: np.random.Generator, space: float, head: Head) -> None:
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
