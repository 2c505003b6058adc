"""Outlines of single note heads, one scribe's way.

Every function adds the head's shapes to an `Ink` and gives back where its own ink
lies: stems, tails and joints are the business of `signs`. Rows, columns and sizes
are pixels of the mask; `space` is the staff space in pixels.
"""

from __future__ import annotations

import numpy as np

from neumary_synth.hand import Hand
from neumary_synth.ornaments import liquescent, oriscus, quilisma, stropha
from neumary_synth.outlines import DIAMOND, SQUARE, Spot, ragged, rounded, spot_of, square
from neumary_synth.pen import F64, Ink, Nib, bend, ribbon


def inclinatum(
    hand: Hand, rng: np.random.Generator, row: float, col: float, space: float, scale: float = 1.0
) -> list[F64]:
    """Outlines of an inclinatum in the hand's design; `scale` makes it larger or smaller."""
    wobble = scale * (1 + rng.normal(0, 0.6 * hand.head_spread, 2))
    h, w = hand.inclinatum_height * space * wobble[0], hand.inclinatum_width * space * wobble[1]
    match hand.inclinatum:
        case "rhomb":
            corners = DIAMOND * [h, w]
        case "diamond":  # taller, hollow sides
            corners = DIAMOND * [1.15 * h, 0.9 * w]
        case "parallelogram":  # upright sides, top and bottom falling to the right
            fall = 0.34 * h
            corners = SQUARE * [0.7 * h, 0.8 * w] + np.array([[-fall], [fall], [fall], [-fall]]) * [[0.5, 0]]
        case _:  # leaning back, as one short stroke of a slanted nib
            lean = 0.3 * w
            corners = SQUARE * [0.75 * h, 0.85 * w] + np.array(
                [[-lean, -lean], [0.3 * lean, -lean], [lean, lean], [-0.3 * lean, lean]]
            )
    bow = (hand.bow_sides - 0.01) * space if hand.inclinatum == "diamond" else hand.bow_sides * space * 0.5
    turn = np.deg2rad(hand.inclinatum_turn_deg + float(rng.normal(0, 3)))
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    outline = rounded(corners, min(0.14, hand.rounding), (bow,) * 4)
    shapes = [ragged(outline + np.array([row, col]), hand, rng, space)]
    if hand.inclinatum == "tailed":
        low = corners[2] + np.array([row, col])
        tail = np.array(
            [
                low,
                low + np.array([0.22 * space, -0.02 * space]),
                low + np.array([0.42 * space, -0.08 * space]),
            ]
        )
        shapes.append(ribbon(tail, np.array([1.6, 1.0, 0.6]) * hand.hairline * space))
    return shapes


def oblique(
    hand: Hand,
    rng: np.random.Generator,
    ends: tuple[tuple[float, float], tuple[float, float]],
    space: float,
) -> tuple[F64, Spot, Spot]:
    """Outline of an oblique between two ends, and where each end's ink lies.

    Parameters
    ----------
    ends : pair of (row, col)
        Middle of the left and of the right end, px; the sag is already in the right one.

    Returns
    -------
    outline : ndarray of float64, shape (n, 2)
    first, second : Spot
        Centres stand 0.2 space inside the ends, in the middle of the stroke there; each box
        takes up to half a space of the stroke's length.
    """
    (row_a, col_a), (row_b, col_b) = ends
    thick = hand.oblique_thick * space * (1 + rng.normal(0, 0.05))
    t = np.linspace(0, 1, 9)
    middle = row_a + (row_b - row_a) * t + hand.oblique_bow * (row_b - row_a) * np.sin(np.pi * t)
    half = thick / 2 * (1 + hand.oblique_taper * (t - 0.5))
    cols = col_a + (col_b - col_a) * t
    lean = 0.5 * hand.lean * thick
    top = np.stack([middle - half, cols + lean / 2], axis=1)
    bottom = np.stack([middle + half, cols - lean / 2], axis=1)
    outline = ragged(np.concatenate([top, bottom[::-1]]), hand, rng, space)
    inset = min(0.5, 0.2 * space / max(col_b - col_a, 1.0))

    def spot(at: float, away: float) -> Spot:
        near = (np.abs(t - at) <= max(0.26, min(0.5, 0.5 * space / max(col_b - col_a, 1.0)))).nonzero()[0]
        return Spot(
            float(np.interp(away, t, middle)),
            float(np.interp(away, t, cols)),
            float(top[near, 0].min()),
            float(cols[near].min() - abs(lean) / 2),
            float(bottom[near, 0].max()),
            float(cols[near].max() + abs(lean) / 2),
        )

    return outline, spot(0.0, inset), spot(1.0, 1 - inset)


def add_head(
    ink: Ink,
    hand: Hand,
    rng: np.random.Generator,
    label: str,
    place: tuple[float, float],
    space: float,
    strength: float,
    size: tuple[float, float] = (1.0, 1.0),
    rises: bool = False,
    scale: float = 1.0,
) -> Spot:
    """Add a single head of some label around `place` (row, col); obliques are not single heads.

    `size` scales a common head's height and width, `scale` an inclinatum.

    Returns
    -------
    Spot
        Of the head's body: hooks and tails that belong to a design are left out.
    """
    row, col = place
    match label:
        case "inclinatum":
            shapes = inclinatum(hand, rng, row, col, space, scale)
        case "quilisma":
            shapes = quilisma(hand, rng, row, col, space)
        case "oriscus":
            shapes = oriscus(hand, rng, row, col, space)
        case "stropha":
            shapes = stropha(hand, rng, row, col, space)
        case "liquescent":
            shapes = liquescent(hand, rng, row, col, space, rises)
        case _:
            shapes = [square(hand, rng, row, col, space, size)]
    for shape in shapes:
        ink.fill(shape, strength)
    return spot_of(shapes if label == "quilisma" else shapes[:1])


def bent_stroke(
    ink: Ink,
    hand: Hand,
    rng: np.random.Generator,
    places: list[tuple[float, float]],
    space: float,
    strength: float,
) -> list[Spot]:
    """Add a neume in one stroke of a slanted nib: rounded shoulders on top, hooks below, a nail at the end.

    Parameters
    ----------
    places : list of (row, col)
        Where each note stands, px; the stroke runs through all of them.

    Returns
    -------
    list of Spot
        Around each place, a head's size.
    """
    h, w = hand.head_height * space, max(hand.head_width, 0.4) * space
    round_ones, points = rng.random() < 0.6, []
    if rng.random() < 0.6:  # comes in from the left with a hairline
        points.append((places[0][0] + 0.25 * h, places[0][1] - 0.5 * w))
    for i, (row, col) in enumerate(places):
        points.append((row, col))
        if i + 1 == len(places):
            continue
        ahead = places[i + 1]
        if ahead[0] > row:  # falling: over a shoulder
            points.append(
                (row + (0.05 if round_ones else 0.3) * (ahead[0] - row), col + 0.75 * (ahead[1] - col))
            )
        elif round_ones:  # rising: out of a hook
            points.append((row - 0.1 * (row - ahead[0]), col + 0.5 * (ahead[1] - col)))
    nib = Nib(max(0.3, 0.75 * hand.nib) * space, hand.nib_angle_deg, max(1.0, 1.3 * hand.hairline * space))
    ink.nib(bend(points, 6), nib, strength)
    for i, (row, col) in enumerate(places):
        if i in (0, len(places) - 1) or rng.random() < 0.5:
            ink.fill(square(hand, rng, row, col, space, (0.8, 0.75)), strength)
    return [Spot(r, c, r - 0.45 * h, c - 0.45 * w, r + 0.45 * h, c + 0.45 * w) for r, c in places]
