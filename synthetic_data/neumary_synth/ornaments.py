"""Outlines of the rarer heads, one scribe's way: quilisma, oriscus, stropha, liquescents.

Each function gives back the outlines of one head, (n, 2) float (row, col) px each; the head's
body comes first. The designs are those of leaves and of early and late prints, drawn after
their general look (common practice, no published source).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth.hand import Hand
from neumary_synth.outlines import SQUARE, ragged, rounded, square
from neumary_synth.pen import F64, bend, ribbon

LIQUESCENT_WIDTHS: Final = {
    "small": 0.58, "hooked": 0.75, "twin": 0.62, "plica": 0.62, "auctum": 1.05, "looped": 0.75, "comet": 0.6,
}  # fmt: skip
"""Width of a liquescent's body as a share of a head's."""

_STROPHAE: Final[dict[str, tuple[tuple[tuple[float, float], ...], float]]] = {
    "wedge": (((-0.5, -0.5), (-0.42, 0.5), (0.1, 0.36), (0.66, -0.1), (0.1, -0.36)), 0.12),
    "notched": (((-0.5, -0.5), (-0.5, 0.5), (0.35, 0.5), (-0.02, 0.05), (0.66, -0.45)), 0.06),
    "tailed": (((-0.5, 0.1), (0.0, 0.5), (0.34, 0.2), (0.85, -0.45), (0.2, -0.2), (0.05, -0.5)), 0.08),
    "triangle": (((-0.48, -0.5), (-0.48, 0.5), (0.62, 0.05)), 0.05),
    "bent": (((-0.5, -0.1), (-0.2, 0.5), (0.12, 0.44), (0.55, -0.38), (0.14, -0.3), (-0.1, -0.55)), 0.16),
}
"""Corners (row, col) of strophae in heights and widths of a head, and how far they are rounded."""


def quilisma_width(hand: Hand) -> float:
    """Width of the hand's quilisma, staff spaces."""
    return max(0.55, 0.9 * hand.head_width + 0.08 * (hand.quilisma_teeth - 1))


def quilisma(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of a quilisma: a toothed head, a wavy stroke, arches, or small steps upward."""
    n = hand.quilisma_teeth
    width = quilisma_width(hand) * space
    height = max(hand.quilisma_height * hand.head_height, 0.45) * space
    left, pitch = col - width / 2, width / n
    match hand.quilisma:
        case "wave":
            t = np.linspace(0, 1, 8 * n + 1)
            rows = row + 0.3 * height * np.sin(2 * np.pi * n * t) - 0.25 * height * (t - 0.5)
            return [ribbon(np.stack([rows, left + t * width], axis=1), 0.45 * height)]
        case "arches":  # round bows, thick below, the last running out upward
            t = np.linspace(0, n * np.pi, 7 * n + 1)
            swing = np.abs(np.sin(t))
            rows = row + (0.38 * swing - 0.3 + 0.1 * t / t[-1] * -1) * height
            path = np.stack([rows, left + t / t[-1] * width], axis=1)
            end = path[-1] + np.array([[-0.35 * height, 0.12 * width]])
            thick = np.concatenate([0.16 + 0.26 * swing, [0.1]]) * height
            return [ragged(ribbon(np.concatenate([path, end]), thick), hand, rng, space)]
        case "saw":  # a block, sawn above and below
            deep, rise = 0.36 * height, float(rng.uniform(0.0, 0.3)) * height
            top, low = row - 0.6 * height + rise / 2, row + 0.6 * height - deep + rise / 2
            above, below = [], []
            for k in range(n):
                lift = rise * (k + 0.5) / n
                above += [(top + deep - lift, left + k * pitch), (top - lift, left + (k + 1) * pitch)]
                below += [(low + deep - lift, left + k * pitch), (low - lift, left + (k + 1) * pitch)]
            return [ragged(np.array(above + below[::-1]), hand, rng, space)]
        case "comb":  # a head whose foot is toothed
            rise = float(rng.uniform(-0.05, 0.25)) * height
            tops = [(row - 0.5 * height + rise / 2, left), (row - 0.5 * height - rise / 2, left + width)]
            feet = [
                (row + (0.55 if k % 2 else 0.02) * height - rise * (k / (2 * n) - 0.5), left + k * pitch / 2)
                for k in range(2 * n, -1, -1)
            ]
            return [ragged(np.array(tops + feet), hand, rng, space)]
        case "teeth":
            rise = 0.12 * height
            tops = [
                (row - 0.5 * height * (1 if k % 2 else 0.2) - rise * k / (2 * n), left + k * pitch / 2)
                for k in range(2 * n + 1)
            ]
            feet = [(r + 0.75 * height, c) for r, c in reversed(tops)]
            return [ragged(np.array(tops + feet), hand, rng, space)]
        case "slant":  # narrow slanted strokes side by side
            high, rise, corner = 0.95, 0.1 * height, 0.32
        case _:  # "steps"
            high, rise, corner = 0.8, 0.35 * height, 0.17
    shapes = []
    for k in range(n):
        centre = np.array([row - rise * (k - (n - 1) / 2), left + (k + 0.5) * pitch])
        tooth = np.array([[-0.45 + corner / 2, -0.58], [-0.45 - corner / 2, 0.42],
                          [0.45 - corner / 2, 0.58], [0.45 + corner / 2, -0.42]])  # fmt: skip
        shapes.append(ragged(centre + tooth * [high * height, pitch], hand, rng, space))
    return shapes


def oriscus(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of an oriscus: a waved head, two bows, or a tilted head with a tail at either end."""
    h, w = max(hand.head_height, 0.5) * space, max(0.55, hand.head_width) * space
    line = max(1.0, 1.6 * hand.hairline * space)
    t = np.linspace(0, 1, 15)
    match hand.oriscus:
        case "tilted" | "zed":
            way = 1.0 if hand.oriscus == "tilted" else -1.0
            body = SQUARE * [0.62 * h, w] + np.array([[1], [-1], [-1], [1]]) * [[way * 0.3 * h, 0]]
            outline = ragged(rounded(body, 0.1, (0.0,) * 4) + np.array([row, col]), hand, rng, space)
            reach = float(rng.uniform(0.55, 0.95)) * h
            ends = ((-0.47, way * 0.3 * h, way), (0.47, -way * 0.3 * h, -way))
            tails = [
                ribbon(
                    np.array([[row + at, col + side * w], [row + at + up * reach, col + side * w]]),
                    line * np.array([1.3, 0.8]),
                )
                for side, at, up in ends
            ]
            return [outline, *tails]
        case "bows":  # two bows side by side, as an omega
            rows = row + 0.3 * h * np.abs(np.sin(2 * np.pi * t)) - 0.15 * h
            path = np.stack([rows, col + (t - 0.5) * 1.1 * w], axis=1)
            return [ragged(ribbon(path, (0.3 + 0.22 * np.abs(np.sin(2 * np.pi * t))) * h), hand, rng, space)]
        case _:
            swing = 0.3 if hand.oriscus == "wave" else 0.42
            rows = row - swing * h * np.sin(2 * np.pi * t)
            path = np.stack([rows, col + (t - 0.5) * 1.15 * w], axis=1)
            thick = 0.56 if hand.oriscus == "wave" else 0.4
            return [
                ragged(ribbon(path, thick * h * (0.45 + 0.55 * np.sin(np.pi * t))), hand, rng, space),
            ]


def stropha(hand: Hand, rng: np.random.Generator, row: float, col: float, space: float) -> list[F64]:
    """Outlines of a stropha: comma, drop, wedge, notched square, triangle, or rhomb with a tail."""
    h, w = 0.95 * max(hand.head_height, 0.45) * space, max(0.4, 0.85 * hand.head_width) * space
    if hand.stropha in _STROPHAE:
        corners, rounding = _STROPHAE[hand.stropha]
        outline = rounded(np.array(corners) * [h, w], rounding, (0.0,) * 4)
        return [ragged(outline + np.array([row, col]), hand, rng, space)]
    path = bend([[-0.5, -0.12], [-0.15, 0.22], [0.2, 0.1], [0.66, -0.44]], 5) * [h, w]
    weights = [0.75, 0.8, 0.06] if hand.stropha == "comma" else [0.3, 0.95, 0.05]  # else "drop"
    outline = ribbon(path, np.interp(np.linspace(0, 1, len(path)), [0, 0.35, 1], weights) * w)
    return [ragged(outline + np.array([row, col]), hand, rng, space)]


def _tail(path: list[tuple[float, float]], widths_px: tuple[float, float]) -> F64:
    bent = bend(path, 5)
    return ribbon(bent, np.linspace(*widths_px, len(bent)))


def liquescent(
    hand: Hand, rng: np.random.Generator, row: float, col: float, space: float, rises: bool
) -> list[F64]:
    """Outlines of a liquescent head: small, hooked, looped, with two tails, or swollen with a curl."""
    h, w = hand.head_height * space, max(hand.head_width, 0.42) * space
    line = max(1.1, float(np.clip(1.3 * hand.hairline, 0.07, 0.11)) * space)
    up = -1.0 if rises else 1.0
    narrow = LIQUESCENT_WIDTHS[hand.liquescent]
    match hand.liquescent:
        case "small":
            return [square(hand, rng, row, col, space, (0.58, narrow))]
        case "hooked":
            body = square(hand, rng, row, col, space, (0.7, narrow))
            hook = [(row, col + 0.35 * w), (row + up * 0.7 * h, col + 0.5 * w), (row + up * 1.25 * h, col)]
            return [body, _tail(hook, (1.9 * line, 0.8 * line))]
        case "looped":  # an eye closed by a hairline
            body = square(hand, rng, row, col, space, (0.7, narrow))
            eye = [
                (row - up * 0.1 * h, col + 0.36 * w),
                (row + up * 0.55 * h, col + 0.62 * w),
                (row + up * 1.1 * h, col + 0.3 * w),
                (row + up * 0.95 * h, col - 0.12 * w),
                (row + up * 0.4 * h, col + 0.05 * w),
            ]
            return [body, _tail(eye, (1.5 * line, 1.1 * line))]
        case "comet":  # small, with a tail bent outward
            body = square(hand, rng, row, col, space, (0.65, narrow))
            reach = float(rng.uniform(0.6, 1.2)) * space
            tail = [
                (row, col + 0.2 * w),
                (row + up * 0.6 * reach, col + 0.3 * w),
                (row + up * reach, col + 0.7 * w),
            ]
            return [body, _tail(tail, (2.0 * line, 0.7 * line))]
        case "plica":  # narrow, with a tail down (seldom up) on either side, the right one longer
            body = square(hand, rng, row, col, space, (1.1, narrow))
            way = up if rng.random() < 0.5 else 1.0
            long, short = float(rng.uniform(0.7, 1.5)) * space, float(rng.uniform(0.35, 0.65)) * space
            sides = ((col + 0.27 * w, long), (col - 0.27 * w, short))
            drift = rng.normal(0, 0.03, 2) * space
            return [
                body,
                *(
                    ribbon(np.array([[row, c], [row + way * (0.5 * h + reach), c + d]]), line)
                    for (c, reach), d in zip(sides, drift, strict=True)
                ),
            ]
        case "twin":
            body = square(hand, rng, row, col, space, (0.85, narrow))
            long, short = float(rng.uniform(0.8, 1.2)) * space, float(rng.uniform(0.4, 0.7)) * space
            left, right = col - 0.28 * w, col + 0.28 * w
            tails = [
                np.array([[row, left], [row + up * (0.3 * h + short), left - 0.03 * space]]),
                np.array([[row, right], [row + up * (0.3 * h + long), right]]),
            ]
            return [body, *(ribbon(tail, line) for tail in tails)]
    body = square(hand, rng, row, col, space, (1.05, narrow))
    curl = [
        (row + up * 0.3 * h, col + 0.45 * w),
        (row + up * 0.95 * h, col + 0.42 * w),
        (row + up * 1.05 * h, col - 0.3 * w),
    ]
    return [body, _tail(curl, (2.6 * line, 0.9 * line))]
