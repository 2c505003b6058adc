"""Clefs, one scribe's way: blocks, brackets and crescents, or letters."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.inking import block_outline, lay, pen_load
from neumary_synth.letters import CAPITALS, LETTERS, Stroke
from neumary_synth.outlines import DIAMOND
from neumary_synth.pen import U8, Ink, Nib, bend, ribbon

_CLEF_LETTERS = "abcdefg"


def draw_clef(
    mask: U8, hand: Hand, rng: np.random.Generator, stand: Stand, col: float, label: str, line: float
) -> tuple[Drawn, float]:
    """Draw a clef, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage.
    col : float
        Left edge, px.
    label : str
        "clef_c", "clef_f", or another letter's.
    line : int
        Counted from 1 at the bottom.

    Returns
    -------
    drawn : Drawn
        On the row of its line, in the middle of its ink's width.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If the label is no clef.
    """
    letter = label.removeprefix("clef_")
    if letter not in _CLEF_LETTERS or label == letter:
        raise ValueError(f"{label!r} is no clef")
    step = round(2 * (line - 1))
    row = stand.row_of(step, col) + float(rng.normal(0, 0.04)) * stand.space_px
    ink = Ink()
    if letter == "c" and hand.c_clef != "letter":
        _c_clef(ink, hand, rng, row, col, stand.space_px)
    elif letter == "f" and hand.f_clef != "letter":
        _f_clef(ink, hand, rng, row, col, stand.space_px)
    else:
        _letter(ink, hand, rng, letter, row, col, stand.space_px)
    return lay(ink, mask, hand, rng, stand, label, stand.row_of(step, col), step)


def _c_clef(ink: Ink, hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> None:
    load = pen_load(hand, rng)
    width, tall = hand.clef_width * space, hand.clef_height * space * (1 + float(rng.normal(0, 0.05)))
    half, thin = tall / 2, max(0.8, 1.3 * hand.hairline * space)
    block = max(0.36, 0.32 * hand.clef_height) * space
    match hand.c_clef:
        case "pair":  # two blocks like heads, well apart
            size, wide = 0.95 * hand.head_height * space, max(hand.head_width, 0.4) * space
            gap = (0.3 + (hand.clef_height - 1.2)) * space * float(rng.uniform(0.9, 1.1))
            for sign in (-1, 1):
                at = row + sign * (gap + size) / 2, col + wide / 2 + float(rng.normal(0, 0.05)) * space
                ink.fill(block_outline(hand, rng, *at, space, size, wide), load)
            if hand.hairline_ink > 0.75:  # a thread on the left holds them together
                path = np.array([[row - gap / 2 - size, col + thin], [row + gap / 2 + size, col + thin]])
                ink.fill(ribbon(path, 0.8 * thin), 0.7 * load)
        case "posts":  # two narrow blocks, nothing between them, the upper one often taller
            size, wide = float(rng.uniform(0.42, 0.75)) * space, max(0.8 * hand.head_width, 0.26) * space
            gap = float(rng.uniform(0.25, 0.6)) * space
            for sign, high in ((-1, size * float(rng.uniform(1.0, 1.5))), (1, size)):
                at = row + sign * (gap + high) / 2, col + wide / 2 + float(rng.normal(0, 0.04)) * space
                ink.fill(block_outline(hand, rng, *at, space, high, wide), load)
        case "blocks" | "apart":
            centre = half - block / 2
            for sign in (-1, 1):
                shift = float(rng.normal(0, 0.04)) * space
                ink.fill(
                    block_outline(
                        hand, rng, row + sign * centre, col + width / 2 + shift, space, block, width
                    ),
                    load,
                )
            if hand.c_clef == "blocks":
                stem = np.array([[row - half, col + thin], [row + half, col + thin]])
                ink.fill(ribbon(stem, thin * np.array([1.0, 1.6])), load)
        case "bracket":
            back = 0.38 * width
            path = np.array([[row - half, col + back], [row, col + 0.8 * back], [row + half, col + back]])
            ink.fill(
                ribbon(bend(path, 5), np.interp(np.linspace(0, 1, 11), [0, 0.5, 1], [1.1, 0.62, 1.1]) * back),
                load,
            )
            for sign in (-1, 1):
                arm = bend(
                    [
                        [row + sign * 0.72 * half, col + back],
                        [row + sign * 0.95 * half, col + 0.7 * width],
                        [row + sign * 0.8 * half, col + width],
                    ],
                    5,
                )
                ink.fill(ribbon(arm, np.linspace(0.7, 0.28, len(arm)) * block), load)
        case "crescent":
            path = bend(
                [
                    [row - half, col + 0.8 * width],
                    [row - 0.5 * half, col + 0.2 * width],
                    [row + 0.5 * half, col + 0.2 * width],
                    [row + half, col + 0.8 * width],
                ],
                6,
            )
            ink.fill(
                ribbon(
                    path,
                    np.interp(
                        np.linspace(0, 1, len(path)), [0, 0.15, 0.5, 0.85, 1], [0.25, 0.75, 0.36, 0.7, 0.15]
                    )
                    * width,
                ),
                load,
            )
            for sign in (-1, 1):
                spot = (row + sign * (half - 0.4 * block), col + 0.66 * width)
                ink.fill(block_outline(hand, rng, spot[0], spot[1], space, 0.7 * block, 0.6 * width), load)
        case "lozenges":  # two diamonds, with or without a thread
            size, wide = max(block, 0.5 * space), max(0.9 * width, 0.36 * space)
            for sign in (-1, 1):
                at = row + sign * (half - 0.4 * size), col + wide / 2 + float(rng.normal(0, 0.03)) * space
                ink.fill(DIAMOND * [size, wide] + at, load)
            if hand.hairline_ink > 0.6:
                path = np.array([[row - half, col + thin], [row + half, col + thin]])
                ink.fill(ribbon(path, 0.8 * thin), 0.8 * load)
        case "stemmed":  # blocks on a stem that runs on below or above
            for sign in (-1, 1):
                at = row + sign * (half - block / 2), col + width / 2
                ink.fill(block_outline(hand, rng, *at, space, 0.9 * block, width), load)
            over = float(rng.uniform(0.3, 1.5)) * space
            ends = (
                (row - half, row + half + over)
                if hand.stem_side == "right"
                else (row - half - over, row + half)
            )
            ink.fill(ribbon(np.array([[ends[0], col + thin], [ends[1], col + thin]]), 1.3 * thin), load)
        case "angular":  # a square bracket of even strokes
            back = max(0.3 * width, thin)
            ink.fill(
                ribbon(np.array([[row - half, col + back / 2], [row + half, col + back / 2]]), back), load
            )
            for sign in (-1, 1):
                arm = np.array([[row + sign * (half - 0.3 * block), col], [row + sign * half, col + width]])
                ink.fill(ribbon(arm, np.array([0.8, 0.55]) * block), load)
        case "hooked":  # a thin bent back, its ends thickened into heads
            path = bend(
                [
                    [row - 0.8 * half, col + width],
                    [row - 0.6 * half, col + 0.15 * width],
                    [row + 0.6 * half, col + 0.15 * width],
                    [row + 0.8 * half, col + width],
                ],
                6,
            )
            ink.fill(ribbon(path, max(1.5 * thin, 0.14 * width)), load)
            for sign in (-1, 1):
                at = row + sign * (half - 0.45 * block), col + 0.8 * width
                ink.fill(block_outline(hand, rng, *at, space, 0.9 * block, 0.75 * width), load)
        case _:  # "drawn": a broad c
            path = bend(
                [
                    [row - 0.55 * half, col + width],
                    [row - 0.9 * half, col + 0.6 * width],
                    [row - 0.2 * half, col + 0.15 * width],
                    [row + 0.55 * half, col + 0.3 * width],
                    [row + 0.85 * half, col + 1.05 * width],
                ],
                6,
            )
            ink.nib(path, Nib(0.5 * width, 30, thin), load)


def _f_clef(ink: Ink, hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> None:
    load = pen_load(hand, rng)
    width, half = 0.85 * hand.clef_width * space, 0.5 * hand.clef_height * space
    thin = max(0.8, 1.3 * hand.hairline * space)
    block = max(0.36, 0.32 * hand.clef_height) * space
    if hand.f_clef == "tailed":
        foot = row + half + float(rng.uniform(0.4, 1.2)) * space
        stem = np.array([[row - half, col + 0.25 * width], [foot, col + 0.2 * width]])
        ink.fill(ribbon(stem, np.array([0.5, 0.15]) * width), load)
        for up, reach in ((0.75, 1.3), (0.0, 1.1)):
            flag = bend(
                [
                    [row - up * half, col + 0.2 * width],
                    [row - up * half - 0.12 * space, col + 0.7 * reach * width],
                    [row - up * half + 0.1 * space, col + reach * width],
                ],
                5,
            )
            ink.fill(ribbon(flag, np.linspace(0.85, 0.4, len(flag)) * 0.6 * block), load)
        return
    if hand.f_clef == "lozenges":  # one on the line, two behind it
        size, wide = max(block, 0.46 * space), max(width, 0.36 * space)
        for at, up in ((0.0, 0.0), (1.1, -0.5), (1.1, 0.5)):
            ink.fill(DIAMOND * [size, wide] + (row + up * space, col + (0.5 + at) * wide), load)
        return
    if hand.f_clef == "virga":  # a head with a long tail, and a C clef's blocks behind it
        ink.fill(block_outline(hand, rng, row, col + width / 2, space, 1.1 * block, width), load)
        side = col + (0.95 if hand.stem_side == "right" else 0.05) * width
        foot = row + half + float(rng.uniform(0.2, 1.3)) * space
        ink.fill(ribbon(np.array([[row, side], [foot, side]]), np.array([1.5, 1.0]) * thin), load)
        back = col + width + max(0.12 * space, 2 * thin)
        ink.fill(ribbon(np.array([[row - half, back], [row + half, back]]), 1.3 * thin), load)
        for sign in (-1, 1):
            high = row + sign * (half - block / 2)
            ink.fill(
                block_outline(hand, rng, high, back + 0.35 * width, space, 0.8 * block, 0.7 * width), load
            )
        return
    if hand.f_clef == "gothic":  # a tall broken f
        nib = Nib(0.3 * space * (0.7 + hand.nib), 40, thin)
        top, foot, wide = row - 0.9 * space, row + 0.9 * space, 0.55 * space
        body = [
            [top + 0.2 * space, col + wide],
            [top, col + 0.6 * wide],
            [top + 0.25 * space, col + 0.2 * wide],
            [foot - 0.15 * space, col + 0.2 * wide],
            [foot, col + 0.35 * wide],
        ]
        ink.nib(np.array(body), nib, load)
        ink.nib(
            np.array([[row + 0.05 * space, col - 0.1 * wide], [row - 0.05 * space, col + wide]]), nib, load
        )
        return
    if hand.f_clef == "dots":
        path = np.array([[row - half, col + thin], [row + half, col + thin]])
        ink.fill(ribbon(path, np.array([0.6, 0.4]) * width), load)
    else:
        ink.fill(block_outline(hand, rng, row, col + width / 2, space, block, width), load)
        if hand.f_clef == "c-head":
            edge = col + (0.12 if rng.random() < 0.5 else 0.95) * width
            ink.fill(
                ribbon(np.array([[row - 0.3 * block, edge], [row + half + 0.3 * space, edge]]), thin), load
            )
    # dots stand clear of their stroke: touching it they would be a C clef's blocks
    right = col + (0.75 * width + 0.2 * space if hand.f_clef == "dots" else 1.65 * width + 0.08 * space)
    reach = half - block / 2 if hand.f_clef == "c-head" else 0.5 * space
    for sign in (-1, 1):
        ink.fill(block_outline(hand, rng, row + sign * reach, right, space, 0.85 * block, 0.85 * width), load)
    if hand.f_clef == "c-head":
        edge = right - 0.4 * width
        ink.fill(ribbon(np.array([[row - reach, edge], [row + reach, edge]]), 1.2 * thin), load)


def _letter(
    ink: Ink, hand: Hand, rng: np.random.Generator, letter: str, row: float, col: float, space: float
) -> None:
    """A letter as clef: its body (f: its bar) on the line."""
    capital = hand.letter_clef in ("capital", "round") and letter not in "cf"
    _, strokes = CAPITALS[letter.upper()] if capital else LETTERS[letter]
    if hand.letter_clef in ("round", "plain") and letter in _OTHER_FORMS:
        strokes, capital = _OTHER_FORMS[letter], False
    tall = (0.75 if capital else 0.95) * hand.letter_size * space * float(rng.uniform(0.85, 1.15))
    base = row + {"f": 0.95, "g": 0.5}.get(letter, 0.78 if capital else 0.5) * tall
    pitch, load = hand.letter_width * tall, pen_load(hand, rng)
    thick = max(0.26 * tall * (0.7 + hand.nib) * hand.letter_weight, 1.0)
    nib = Nib(thick, hand.nib_angle_deg, max(0.8, hand.hairline * space))
    start = col + 0.25 * tall
    for stroke in strokes:
        points = stem(stroke) if isinstance(stroke, str) else stroke
        slanted = [(base + r * tall, start + c * pitch - hand.letter_slant * r * tall) for r, c in points]
        path = bend(slanted, 5)
        if hand.letter_clef == "plain":  # strokes of even width, as prints and late hands have them
            ink.line(path, max(0.45 * thick, 1.0), load)
        else:
            ink.nib(path, nib, load)


_OTHER_FORMS: Final[dict[str, list[Stroke]]] = {
    "a": [[(-0.95, 0.85), (-1.0, 0.45), (-0.7, 0.02), (-0.27, 0.02), (0.0, 0.45), (-0.15, 0.9)],
          [(-1.0, 0.92), (-0.1, 0.92), (0.0, 1.1)]],
    "b": [[(-1.6, 0.0), (-0.1, 0.0)], [(-0.5, 0.0), (-0.95, 0.45), (-0.85, 0.95), (-0.2, 0.95), (0.0, 0.4),
          (-0.1, 0.0)]],
    "c": [[(-0.7, 0.95), (-1.0, 0.55), (-0.75, 0.02), (-0.25, 0.02), (0.0, 0.55), (-0.3, 0.95)]],
    "d": [[(-0.9, 0.9), (-1.0, 0.45), (-0.7, 0.02), (-0.27, 0.02), (0.0, 0.45), (-0.15, 0.95)],
          [(-1.6, 0.95), (0.0, 0.95)]],
    "e": [[(-0.5, 0.1), (-0.5, 0.92), (-0.95, 0.7), (-0.95, 0.3), (-0.5, 0.02), (0.0, 0.4), (-0.15, 0.9)]],
    "f": [[(-1.3, 0.8), (-1.58, 0.55), (-1.3, 0.25), (-0.4, 0.2), (0.3, 0.1)], [(-0.95, -0.2), (-0.95, 0.7)]],
    "g": [[(-0.75, 0.85), (-1.0, 0.45), (-0.7, 0.02), (-0.35, 0.3), (-0.55, 0.85), (-0.9, 0.8)],
          [(-0.3, 0.3), (-0.1, 0.1), (0.05, 0.6), (0.3, 0.9), (0.5, 0.4), (0.3, -0.05), (0.1, 0.2)],
          [(-0.95, 0.8), (-1.05, 1.15)]],
}  # fmt: skip
"""Other common forms of the clefs' letters: one-storeyed a, upright d, g of two bowls, and so on."""


def stem(code: str) -> list[tuple[float, float]]:
    """Plain stem for a recipe's "M0", "A1", "D0": (row, col) in x-heights and minim distances."""
    top, foot = {"M": (-1.0, 0.0), "A": (-1.6, 0.0), "D": (-1.0, 0.55)}[code[0]]
    at = float(code[1:])
    return [(top, at), (foot, at)]
