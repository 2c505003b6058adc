"""Flats and naturals, custodes and division strokes, one scribe's way."""

from __future__ import annotations

import numpy as np

from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.inking import block_outline, lay, pen_load
from neumary_synth.pen import U8, Ink, Nib, bend, ribbon

DIVISION_FORMS = ("minima", "maior", "maxima", "finalis", "virgula", "hairline")


def draw_accidental(
    mask: U8, hand: Hand, rng: np.random.Generator, stand: Stand, col: float, label: str, step: int
) -> tuple[Drawn, float]:
    """Draw a "flat" or a "natural" whose bowl stands on a step, in place.

    Returns
    -------
    drawn : Drawn
        On the middle of its bowl.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If the label is neither.
    """
    if label not in ("flat", "natural"):
        raise ValueError(f"{label!r} is no accidental")
    space, ink, load = stand.space_px, Ink(), pen_load(hand, rng)
    row = stand.row_of(step, col) + float(rng.normal(0, 0.08)) * space
    thin, wide = max(0.8, 1.4 * hand.hairline * space), 0.42 * space * float(rng.uniform(0.85, 1.15))
    bowl = 0.3 * space  # half its height
    if label == "natural":
        _natural(ink, hand, row, col, wide, bowl, thin, load)
    else:
        _flat(ink, hand, row, col, wide, bowl, thin, load, space)
    return lay(ink, mask, hand, rng, stand, label, row, step, col + 0.5 * wide)


def _flat(
    ink: Ink,
    hand: Hand,
    row: float,
    col: float,
    wide: float,
    bowl: float,
    thin: float,
    load: float,
    space: float,
) -> None:
    tall = hand.flat_height * space * {"small": 0.65, "tall": 1.35}.get(hand.flat, 1.0)
    left = col + thin
    top = row + bowl - tall
    nib = Nib(max(1.2, 0.16 * space * (0.7 + hand.nib)), hand.nib_angle_deg, thin)
    stem_path = np.array([[top, left - 0.1 * hand.lean * tall], [row + bowl, left]])
    match hand.flat:
        case "angular":
            ring = np.array(
                [
                    [row - 0.6 * bowl, left],
                    [row - bowl, left + 0.5 * wide],
                    [row, left + wide],
                    [row + bowl, left + 0.2 * wide],
                    [row + 0.7 * bowl, left],
                ]
            )
        case "loop":  # does not close
            stem_path = np.array(
                [[top, left + 0.15 * wide], [row, left], [row + 0.6 * bowl, left + 0.1 * wide]]
            )
            ring = bend(
                [
                    [row + 0.6 * bowl, left + 0.1 * wide],
                    [row + bowl, left + 0.55 * wide],
                    [row, left + wide],
                    [row - 0.7 * bowl, left + 0.6 * wide],
                ],
                6,
            )
        case _:
            ring = bend(
                [
                    [row - 0.5 * bowl, left],
                    [row - bowl, left + 0.55 * wide],
                    [row, left + wide],
                    [row + bowl, left + 0.45 * wide],
                    [row + 0.8 * bowl, left],
                ],
                6,
            )
    ink.nib(stem_path, nib, load)
    ink.nib(ring, nib, load)


def _natural(
    ink: Ink, hand: Hand, row: float, col: float, wide: float, bowl: float, thin: float, load: float
) -> None:
    left, right, slant = col + thin, col + wide, 0.25 * bowl
    ink.line(np.array([[row - 2.3 * bowl, left], [row + bowl, left]]), 1.2 * thin, load)
    foot = row + (2.4 if hand.natural != "h" else 1.2) * bowl
    ink.line(
        np.array([[row - bowl, right], [foot, right - (0.3 * wide if hand.natural == "slanted" else 0)]]),
        1.2 * thin,
        load,
    )
    for at in (-0.75, 0.75) if hand.natural != "h" else (-0.75,):
        bar = np.array([[row + at * bowl + slant, left], [row + at * bowl - slant, right]])
        ink.fill(ribbon(bar, 0.4 * bowl), load)


def draw_custos(
    mask: U8, hand: Hand, rng: np.random.Generator, stand: Stand, col: float, step: int
) -> tuple[Drawn, float]:
    """Draw a custos on a step, in place.

    Returns
    -------
    drawn : Drawn
        On the middle of its head (of a wave or check mark: of the part that marks the step).
    right : float
        Right edge of the ink, px.
    """
    space, ink, load = stand.space_px, Ink(), pen_load(hand, rng)
    row = stand.row_of(step, col) + float(rng.normal(0, hand.row_spread)) * space
    size = hand.custos_size * space
    w, h = 0.6 * hand.head_width * space, 0.75 * hand.head_height * space
    thin = max(0.7, 1.1 * hand.hairline * space)
    middle = col + w / 2
    match hand.custos:
        case "flick":
            ink.fill(block_outline(hand, rng, row, middle, space, h, w), load)
            reach = float(rng.uniform(0.15, 0.55)) * size
            path = bend(
                [
                    [row, middle + 0.3 * w],
                    [row - 0.6 * size, middle + 0.3 * w + 0.4 * reach],
                    [row - 1.1 * size, middle + 0.3 * w + reach],
                ],
                4,
            )
            ink.fill(ribbon(path, np.linspace(1.6, 0.7, len(path)) * thin), load)
        case "tick":
            path = np.array(
                [
                    [row - 0.15 * size, col],
                    [row + 0.12 * size, col + 0.22 * size],
                    [row - 0.9 * size, col + 0.55 * size],
                ]
            )
            ink.fill(ribbon(path[:2], np.array([0.6, 1.0]) * 0.28 * space), load)
            ink.fill(ribbon(path[1:], np.array([2.2, 0.8]) * thin), load)
            middle = col + 0.16 * size
        case "hairline":
            ink.fill(block_outline(hand, rng, row, middle, space, 0.7 * h, 0.7 * w), load)
            up = -1 if rng.random() < 0.8 else 1
            path = np.array(
                [[row, middle + 0.3 * w], [row + up * 1.3 * size, middle + 0.3 * w + 0.05 * size]]
            )
            ink.fill(ribbon(path, thin), max(0.4, load * hand.hairline_ink))
        case "bar":  # a broad stroke lying along its line or space, wavy, with fine edges
            wide, thick = float(rng.uniform(0.9, 1.25)) * size, float(rng.uniform(0.26, 0.5)) * space
            t = np.linspace(0, 1, 14)
            swing = float(rng.uniform(0, 0.12)) * space
            path = np.stack([row + swing * np.sin(2 * np.pi * t + 1), col + t * wide], axis=1)
            ink.fill(ribbon(path, thick), load)
            for at in (0.0, wide):
                end = np.array([[row - 0.8 * thick, col + at], [row + 0.8 * thick, col + at]])
                ink.fill(ribbon(end, 0.9 * thin), load)
            middle = col + wide / 2
        case "teeth":  # three teeth lying flat
            pitch, deep = float(rng.uniform(0.26, 0.4)) * size, float(rng.uniform(0.12, 0.26)) * space
            zigzag = [(row + (deep if k % 2 else -deep), col + k * pitch / 2) for k in range(7)]
            ink.nib(np.array(zigzag), Nib(float(rng.uniform(0.16, 0.3)) * space, 35, thin), load)
            tail = np.array(
                [zigzag[-1], (row - float(rng.uniform(0.2, 1.0)) * size, zigzag[-1][1] + 0.25 * size)]
            )
            ink.fill(ribbon(tail, np.array([1.5, 0.7]) * thin), load)
            middle = col + 1.5 * pitch
        case "lozenge":  # slanted, with a flick upward
            slant = float(rng.uniform(0.1, 0.3)) * space
            box = np.array([[0.1, -0.5], [-0.5, 0.1], [-0.1, 0.5], [0.5, -0.1]]) * [1.4 * h, 1.25 * w]
            box[:, 1] -= slant * box[:, 0] / max(h, 1.0)
            ink.fill(np.add(box, (row, middle)), load)
            top = np.add(box[1], (row, middle))
            reach = float(rng.uniform(0.2, 0.9)) * size
            ink.fill(
                ribbon(
                    np.array([np.add(top, (0.1 * h, 0)), np.add(top, (-reach, 0.4 * reach))]),
                    np.array([1.7, 0.6]) * thin,
                ),
                load,
            )
        case "wave":
            t = np.linspace(0, 1, 16)
            rows = row - 0.14 * size * np.sin(3 * np.pi * t) - 0.1 * size * t
            path = np.stack([rows, col + t * 0.7 * size], axis=1)
            ink.fill(ribbon(path, 0.16 * space * (0.6 + 0.6 * np.sin(np.pi * t))), load)
            middle, row = col + 0.35 * size, row - 0.05 * size
        case _:
            ink.fill(block_outline(hand, rng, row, middle, space, h, w), load)
            path = np.array([[row, col + w - thin / 2], [row + 0.9 * size, col + w - thin / 2 - 0.1 * size]])
            ink.fill(ribbon(path, np.array([1.4, 0.8]) * thin), load)
    return lay(ink, mask, hand, rng, stand, "custos", row, step, middle)


def draw_division(
    mask: U8, hand: Hand, rng: np.random.Generator, stand: Stand, col: float, form: str
) -> tuple[Drawn, float]:
    """Draw a division stroke, in place.

    Parameters
    ----------
    form : str
        "minima", "maior", "maxima", "finalis", "virgula" (heights after SMuFL 1.4, "Medieval and
        Renaissance plainchant staves"), or "hairline": a thin stroke parting words.

    Returns
    -------
    drawn : Drawn
        In the middle of its ink.
    right : float
        Right edge of the ink, px.

    Raises
    ------
    ValueError
        If the form is none of these.
    """
    if form not in DIVISION_FORMS:
        raise ValueError(f"no division {form!r}: choose one of {', '.join(DIVISION_FORMS)}")
    space, ink = stand.space_px, Ink()
    top_step = 2 * (stand.n_lines - 1)
    thin = max(0.8, 1.3 * hand.hairline * space)
    load = max(0.5, hand.ink)
    loose = rng.normal(0, 0.15 if hand.temper != "printed" else 0.02, 2)
    lean = float(rng.normal(0, 0.03)) - 0.15 * hand.lean
    if form == "virgula":
        row = stand.row_of(top_step, col)
        path = bend(
            [
                [row - 0.45 * space, col + 0.05 * space],
                [row - 0.1 * space, col + 0.3 * space],
                [row + 0.45 * space, col + 0.05 * space],
            ],
            5,
        )
        ink.fill(ribbon(path, np.linspace(0.26, 0.05, len(path)) * space), load)
    else:
        high, low = {
            "minima": (top_step + 1, top_step - 1),
            "maior": (top_step / 2 + 2, top_step / 2 - 2),
            "maxima": (top_step, 0),
            "finalis": (top_step, 0),
        }.get(form) or _hairline_reach(rng, top_step)
        rows = stand.row_of(high, col) + loose[0] * space, stand.row_of(low, col) + loose[1] * space
        strength = load if form != "hairline" else max(0.3, hand.hairline_ink * load)
        shift = lean * (rows[1] - rows[0])
        for k in range(2 if form == "finalis" else 1):
            at = col + thin / 2 + k * 0.35 * space
            path = np.array([[rows[0], at + max(0.0, -shift)], [rows[1], at + shift + max(0.0, -shift)]])
            width = (1.0 if form != "hairline" else 0.75) * thin
            ink.fill(ribbon(path, np.array([1.15, 0.85]) * width), strength)
    top, _, bottom, _ = ink.box()
    return lay(ink, mask, hand, rng, stand, "division", (top + bottom) / 2, stand.n_lines - 1)


def _hairline_reach(rng: np.random.Generator, top_step: int) -> tuple[float, float]:
    """Steps between which a word-parting hairline runs: a space or two, or the whole staff."""
    if rng.random() < 0.5:
        return top_step + float(rng.uniform(-1, 1.5)), float(rng.uniform(-1.5, 1))
    middle = float(rng.uniform(1, max(2, top_step - 1)))
    half = float(rng.uniform(1.0, 2.5))
    return middle + half, middle - half
