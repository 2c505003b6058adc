"""Outlines of single note heads, one scribe's way.

Every function adds the head's shapes to an `Ink` and gives back where its own ink
lies: stems, tails and joints are the business of `signs`. Rows, columns and sizes
are pixels of the mask; `space` is the staff space in pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from neumary_synth.hand import Hand
from neumary_synth.pen import F64, Ink, Nib, bend, ribbon

_SQUARE = np.array([[-0.5, -0.5], [-0.5, 0.5], [0.5, 0.5], [0.5, -0.5]])
_DIAMOND = np.array([[-0.5, 0.0], [0.0, 0.5], [0.5, 0.0], [0.0, -0.5]])


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a head's own ink lies, px: centre of the ink and its box."""

    row: float
    col: float
    top: float
    left: float
    bottom: float
    right: float


def spot_of(outlines: list[F64]) -> Spot:
    """Centre of area and box of a few outlines, each (n, 2) float (row, col) px."""
    area = moment_r = moment_c = 0.0
    for p in outlines:
        q = np.roll(p, -1, axis=0)
        cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
        part = float(cross.sum()) / 2
        if abs(part) < 1e-9:
            continue
        sign = 1.0 if part > 0 else -1.0
        area += sign * part
        moment_r += sign * float(((p[:, 0] + q[:, 0]) * cross).sum()) / 6
        moment_c += sign * float(((p[:, 1] + q[:, 1]) * cross).sum()) / 6
    low = np.min([p.min(axis=0) for p in outlines], axis=0)
    high = np.max([p.max(axis=0) for p in outlines], axis=0)
    return Spot(
        moment_r / area, moment_c / area, float(low[0]), float(low[1]), float(high[0]), float(high[1])
    )


def _rounded(corners: F64, rounding: float, bows: tuple[float, float, float, float]) -> F64:
    """Closed outline through corners with bulging sides and rounded corners."""
    out = []
    n = len(corners)
    share = min(0.45, rounding)
    for i in range(n):
        a, b, c = corners[i], corners[(i + 1) % n], corners[(i + 2) % n]
        run = b - a
        normal = np.array([-run[1], run[0]]) / max(np.hypot(*run), 1e-9)
        for t in np.linspace(share, 1 - share, 5):
            out.append(a + run * t + normal * bows[i % 4] * (1 - (2 * t - 1) ** 2))
        if share > 0.02:
            start, end = b - run * share, b + (c - b) * share
            out.extend((start * (1 - t) ** 2 + 2 * b * t * (1 - t) + end * t**2) for t in (0.33, 0.67))
        else:
            out.append(b)
    return np.array(out)


@lru_cache(maxsize=256)
def _template(hand: Hand) -> F64:
    """The hand's head in a unit square around 0."""
    turn = abs(hand.turn)
    corners = (1 - turn) * _SQUARE + turn * _DIAMOND
    if hand.turn < 0:
        corners = corners * np.array([1.0, -1.0])
        corners = corners[[1, 0, 3, 2]]
    bows = (hand.bow_ends, hand.bow_sides, hand.bow_ends, hand.bow_sides)
    return _rounded(corners, hand.rounding, bows)


def _ragged(outline: F64, hand: Hand, rng: np.random.Generator, space: float) -> F64:
    if hand.roughness <= 0:
        return outline
    extent = float(np.ptp(outline[:, 0]))
    noise = rng.normal(0, hand.roughness * min(space, 1.5 * extent), outline.shape)
    return outline + 0.8 * noise + 0.6 * np.roll(noise, 1, axis=0)


def square(
    hand: Hand,
    rng: np.random.Generator,
    row: float,
    col: float,
    space: float,
    size: tuple[float, float] = (1.0, 1.0),
) -> F64:
    """Outline of a common head around (row, col); `size` scales height and width."""
    unit = _template(hand)
    wobble = rng.normal(0, 0.5 * hand.head_spread, 5)
    height = hand.head_height * space * size[0] * (1 + wobble[0])
    width = hand.head_width * space * size[1] * (1 + 1.4 * wobble[1])
    v, u = unit[:, 0], unit[:, 1]
    rows = v * height - (hand.rise + wobble[2]) * u * width
    cols = u * width * (1 - (hand.taper + wobble[4]) * v) - (hand.lean + wobble[3]) * v * height
    return _ragged(np.stack([rows + row, cols + col], axis=1), hand, rng, space)


def inclinatum(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of an inclinatum in the hand's design."""
    wobble = 1 + rng.normal(0, 0.6 * hand.head_spread, 2)
    h, w = hand.inclinatum_height * space * wobble[0], hand.inclinatum_width * space * wobble[1]
    match hand.inclinatum:
        case "rhomb":
            corners = _DIAMOND * [h, w]
        case "diamond":  # taller, hollow sides
            corners = _DIAMOND * [1.15 * h, 0.9 * w]
        case "parallelogram":  # upright sides, top and bottom falling to the right
            fall = 0.34 * h
            corners = _SQUARE * [0.7 * h, 0.8 * w] + np.array([[-fall], [fall], [fall], [-fall]]) * [[0.5, 0]]
        case _:  # leaning back, as one short stroke of a slanted nib
            lean = 0.3 * w
            corners = _SQUARE * [0.75 * h, 0.85 * w] + np.array(
                [[-lean, -lean], [0.3 * lean, -lean], [lean, lean], [-0.3 * lean, lean]]
            )
    bow = (hand.bow_sides - 0.01) * space if hand.inclinatum == "diamond" else hand.bow_sides * space * 0.5
    outline = _rounded(corners, min(0.25, hand.rounding), (bow,) * 4)
    shapes = [_ragged(outline + np.array([row, col]), hand, rng, space)]
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
    outline = _ragged(np.concatenate([top, bottom[::-1]]), hand, rng, space)
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


def quilisma(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of a quilisma: a head with teeth, a wavy stroke, or small steps upward."""
    n = hand.quilisma_teeth
    width = max(0.55, 0.9 * hand.head_width + 0.08 * n) * space
    height = 0.85 * hand.head_height * space
    left = col - width / 2
    if hand.quilisma == "wave":
        t = np.linspace(0, 1, 8 * n + 1)
        rows = row + 0.3 * height * np.sin(2 * np.pi * n * t) - 0.25 * height * (t - 0.5)
        return [ribbon(np.stack([rows, left + t * width], axis=1), 0.45 * height)]
    pitch = width / n
    rise = {"teeth": 0.12, "steps": 0.35}[hand.quilisma] * height
    shapes = []
    if hand.quilisma == "teeth":
        tops = [
            (row - 0.5 * height * (1 if k % 2 else 0.35) - rise * k / (2 * n), left + k * pitch / 2)
            for k in range(2 * n + 1)
        ]
        feet = [(r + 0.8 * height, c) for r, c in reversed(tops)]
        return [_ragged(np.array(tops + feet), hand, rng, space)]
    for k in range(n):
        centre = np.array([row - rise * (k - (n - 1) / 2), left + (k + 0.5) * pitch])
        tooth = np.array([[-0.4, -0.62], [-0.55, 0.45], [0.4, 0.62], [0.55, -0.45]]) * [height * 0.8, pitch]
        shapes.append(_ragged(centre + tooth, hand, rng, space))
    return shapes


def oriscus(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of an oriscus: a waved head, a head with a hook, or a tilted one."""
    h, w = hand.head_height * space, max(0.55, hand.head_width) * space
    if hand.oriscus == "tilted":
        body = _SQUARE * [0.8 * h, w] + np.array([[0.3], [-0.3], [-0.3], [0.3]]) * [[h * 0.6, 0]]
        outline = _ragged(_rounded(body, 0.1, (0.0,) * 4) + np.array([row, col]), hand, rng, space)
        tail = np.array([[row - 0.1 * h, col + w / 2], [row + 0.45 * h, col + 0.46 * w]])
        return [outline, ribbon(tail, 1.2 * hand.hairline * space)]
    t = np.linspace(0, 1, 15)
    amplitude = 0.22 * h
    rows = row - amplitude * np.sin(2 * np.pi * t)
    path = np.stack([rows, col + (t - 0.5) * 1.05 * w], axis=1)
    wave = ribbon(path, 0.62 * h * (0.55 + 0.45 * np.sin(np.pi * t)))
    if hand.oriscus == "wave":
        return [_ragged(wave, hand, rng, space)]
    body = square(hand, rng, row, col, space, (0.8, 0.95))
    hook = bend([[row + 0.2 * h, col + 0.4 * w], [row + 0.6 * h, col + 0.3 * w], [row + 0.75 * h, col]], 5)
    return [body, ribbon(hook, np.linspace(0.18, 0.05, len(hook)) * space)]


def stropha(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of a stropha: comma, wedge, notched square, or rhomb with a tail."""
    h, w = 0.95 * hand.head_height * space, max(0.4, 0.85 * hand.head_width) * space
    match hand.stropha:
        case "comma":
            path = bend([[-0.5, -0.12], [-0.15, 0.22], [0.2, 0.1], [0.62, -0.4]], 5) * [h, w]
            outline = ribbon(
                path, np.interp(np.linspace(0, 1, len(path)), [0, 0.35, 1], [0.75, 0.8, 0.06]) * w
            )
        case "wedge":
            corners = np.array([[-0.5, -0.5], [-0.42, 0.5], [0.1, 0.36], [0.6, -0.1], [0.1, -0.36]])
            outline = _rounded(corners * [h, w], 0.12, (0.0,) * 4)
        case "notched":
            corners = np.array([[-0.5, -0.5], [-0.5, 0.5], [0.55, 0.5], [0.22, 0.0], [0.42, -0.5]])
            outline = _rounded(corners * [h, w], 0.06, (0.0,) * 4)
        case _:
            corners = np.array(
                [[-0.5, 0.1], [0.0, 0.5], [0.34, 0.2], [0.85, -0.45], [0.2, -0.2], [0.05, -0.5]]
            )
            outline = _rounded(corners * [h, w], 0.08, (0.0,) * 4)
    return [_ragged(outline + np.array([row, col]), hand, rng, space)]


def liquescent(
    hand: Hand, rng: np.random.Generator, row: float, col: float, space: float, rises: bool
) -> list[F64]:
    """Outlines of a liquescent head: small, hooked, with two tails, or swollen with a curl."""
    h, w = hand.head_height * space, hand.head_width * space
    line = max(1.0, 1.3 * hand.hairline * space)
    up = -1.0 if rises else 1.0
    if hand.liquescent == "small":
        return [square(hand, rng, row, col, space, (0.62, 0.6))]
    if hand.liquescent == "hooked":
        body = square(hand, rng, row, col, space, (0.7, 0.75))
        hook = bend(
            [
                [row, col + 0.33 * w],
                [row + up * 0.5 * h, col + 0.42 * w],
                [row + up * 0.85 * h, col + 0.25 * w],
            ],
            5,
        )
        return [body, ribbon(hook, np.linspace(1.6, 0.7, len(hook)) * line)]
    if (
        hand.liquescent == "plica"
    ):  # narrow, with a tail down (seldom up) on either side, the right one longer
        body = square(hand, rng, row, col, space, (1.1, 0.62))
        way = up if rng.random() < 0.5 else 1.0
        long, short = rng.uniform(0.55, 1.5) * space, rng.uniform(0.15, 0.6) * space
        sides = ((col + 0.27 * w, long), (col - 0.27 * w, short))
        return [
            body,
            *(
                ribbon(
                    np.array([[row, c], [row + way * (0.5 * h + reach), c + rng.normal(0, 0.03) * space]]),
                    line,
                )
                for c, reach in sides
            ),
        ]
    if hand.liquescent == "twin":
        body = square(hand, rng, row, col, space, (0.85, 0.62))
        long, short = rng.uniform(0.7, 1.1) * space, rng.uniform(0.3, 0.6) * space
        left, right = col - 0.28 * w, col + 0.28 * w
        tails = [
            np.array([[row, left], [row + up * short, left - 0.03 * space]]),
            np.array([[row, right], [row + up * long, right]]),
        ]
        return [body, *(ribbon(tail, line) for tail in tails)]
    body = square(hand, rng, row, col, space, (1.05, 1.05))
    curl = bend(
        [
            [row + up * 0.3 * h, col + 0.45 * w],
            [row + up * 0.75 * h, col + 0.4 * w],
            [row + up * 0.8 * h, col + 0.05 * w],
        ],
        5,
    )
    return [body, ribbon(curl, np.linspace(1.8, 0.6, len(curl)) * line)]


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
) -> Spot:
    """Add a single head of some label around `place` (row, col); obliques are not single heads.

    Returns
    -------
    Spot
        Of the head's body: hooks and tails that belong to a design are left out.
    """
    row, col = place
    match label:
        case "inclinatum":
            shapes = inclinatum(hand, rng, row, col, space)
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
