"""Flats and naturals, and division strokes, one scribe's way."""

from __future__ import annotations

import numpy as np

from neumary_synth.drawn import Drawn, Stand
from neumary_synth.hand import Hand
from neumary_synth.inking import lay, pen_load
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
    thin = max(0.8, 1.4 * hand.hairline * space)
    if label == "natural":
        wide = 0.4 * hand.natural_size * space * float(rng.uniform(0.85, 1.15))
        _natural(ink, hand, (row, col), (0.3 * hand.natural_size * space, wide), thin, load)
    else:
        wide = hand.flat_width * space * float(rng.uniform(0.9, 1.1))
        bowl = hand.flat_bowl * space * float(rng.uniform(0.92, 1.08))
        if hand.flat == "slim":  # hardly more than a thick place at the foot of a long stroke
            wide, bowl = wide * float(rng.uniform(0.25, 0.55)), float(rng.uniform(0.4, 0.72)) * space
        _flat(ink, hand, (row, col), (bowl, wide), thin, load, space)
    return lay(ink, mask, hand, rng, stand, label, row, step, col + 0.5 * wide)


_BOWLS = {  # (row, col) in halves of the bowl's height and in its width, from the stem and back
    "angular": ((-0.6, 0.0), (-1.0, 0.5), (0.0, 1.0), (1.0, 0.2), (0.7, 0.0)),
    "lozenge": ((-0.25, 0.0), (-1.0, 0.5), (0.0, 1.0), (1.0, 0.45), (0.3, 0.0)),
    "heart": ((-0.5, 0.0), (-1.0, 0.55), (-0.35, 1.0), (0.35, 0.6), (1.0, 0.0)),
    "open": ((-0.55, 0.0), (-1.0, 0.5), (-0.2, 1.0), (0.6, 0.75), (1.0, 0.3)),
    "loop": ((0.6, 0.1), (1.0, 0.55), (0.0, 1.0), (-0.7, 0.6)),  # does not close
    "slim": ((-0.9, 0.0), (-0.2, 1.0), (0.4, 0.9), (1.0, 0.0)),
}
_ROUND_BOWL = ((-0.5, 0.0), (-1.0, 0.55), (0.0, 1.0), (1.0, 0.45), (0.8, 0.0))


def _flat(
    ink: Ink,
    hand: Hand,
    place: tuple[float, float],
    size: tuple[float, float],
    thin: float,
    load: float,
    space: float,
) -> None:
    """A round b; `size` is half the bowl's height and its width, px."""
    (row, col), (bowl, wide) = place, size
    tall = hand.flat_height * space * {"small": 0.65, "tall": 1.35, "slim": 1.6}.get(hand.flat, 1.0)
    tall = max(tall + 2 * bowl - 0.6 * space, 2 * bowl + 0.3 * space)
    left, top = col + thin, row + bowl - tall
    weight = 0.16 * space * (0.7 + hand.nib) * hand.flat_weight
    weight *= 0.6 if hand.flat == "slim" else 1.0
    corners = np.array(_BOWLS.get(hand.flat, _ROUND_BOWL)) * [bowl, wide] + [row, left]
    ring = corners if hand.flat in ("angular", "lozenge") else bend(corners, 6)
    stem = np.array([[top, left - 0.1 * hand.lean * tall], [row + bowl, left]])
    if hand.flat == "loop":
        stem = np.array([[top, left + 0.15 * wide], [row, left], [row + 0.6 * bowl, left + 0.1 * wide]])
    if hand.flat == "printed":  # thick on the right, a fine stem
        swell = 0.4 + 0.9 * np.sin(np.pi * np.linspace(0, 1, len(ring)))
        ink.fill(ribbon(ring, np.maximum(1.6 * weight * swell, thin)), load)
        ink.line(stem, max(0.7 * weight, thin), load)
        return
    nib = Nib(max(1.2, weight), hand.nib_angle_deg, thin)
    ink.nib(stem, nib, load)
    ink.nib(ring, nib, load)
    if hand.flat == "slim" and hand.flat_weight > 1.0:  # the bowl has run full
        ink.fill(ring, load)


def _natural(
    ink: Ink, hand: Hand, place: tuple[float, float], size: tuple[float, float], thin: float, load: float
) -> None:
    """A square b with a tail; `size` is half the square's height and its width, px."""
    (row, col), (bowl, wide) = place, size
    left, right = col + thin, col + wide
    head, foot = {"h": (2.3, 1.2), "even": (2.9, 2.9), "closed": (1.9, 1.9)}.get(hand.natural, (2.3, 2.4))
    slant = (0.05 if hand.natural == "closed" else 0.25) * bowl
    stroke = (1.0 if hand.natural == "even" else 1.2) * thin
    ink.line(np.array([[row - head * bowl, left], [row + bowl, left]]), stroke, load)
    drift = 0.3 * wide if hand.natural == "slanted" else 0.0
    ink.line(np.array([[row - bowl, right], [row + foot * bowl, right - drift]]), stroke, load)
    for at in (-0.75, 0.75) if hand.natural != "h" else (-0.75,):
        bar = np.array([[row + at * bowl + slant, left], [row + at * bowl - slant, right]])
        ink.fill(ribbon(bar, 0.4 * bowl * min(1.0, hand.flat_weight)), load)


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
