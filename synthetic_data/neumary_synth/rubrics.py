"""Red letters and pen work among words and inside staves: genre signs, versals, flourishes."""

from __future__ import annotations

from typing import Final

import numpy as np

from neumary_synth.paints import circle, thin, vine
from neumary_synth.pen import bend, fill
from neumary_synth.script import Script, draw_text
from neumary_synth.sheets import Sheet
from neumary_synth.versals import LETTERS, draw_versal, swell

_GENRES: Final = ("V", "R", "v", "r", "A", "a", "P", "p", "ꝑ", "R", "V", "x")


def draw_genre_sign(
    sheet: Sheet, script: Script, rng: np.random.Generator, row: float, col: float, xheight_px: float
) -> float:
    """Draw a letter crossed by a stroke (versicle, response, antiphon, psalm); give its right end, px."""
    letter = str(rng.choice(_GENRES))
    _, right = draw_text(sheet.mask, script, rng, letter, row, col, xheight_px)
    tall = (1.6 if letter.isupper() else 1.0) * xheight_px
    half = rng.uniform(0.03, 0.09) * xheight_px + 0.3
    form = rng.choice(["cross", "bar", "raised", "hook", "plain"], p=[0.4, 0.2, 0.2, 0.1, 0.1])
    if form == "cross":
        ends = [
            (row + 0.35 * tall, (col + right) / 2),
            (row - 0.5 * tall, right),
            (row - 1.15 * tall, right + 0.5 * tall),
        ]
        swell(sheet.mask, bend(ends, 6), half)
        right += 0.3 * tall
    elif form == "bar":
        at = row - 1.15 * tall
        swell(sheet.mask, np.array([[at + half, col], [at - half, (col + right) / 2], [at, right]]), half)
    elif form == "raised":
        small = str(rng.choice(list("aosmuic")))
        _, right = draw_text(sheet.mask, script, rng, small, row - 0.8 * tall, right, 0.6 * xheight_px)
    elif form == "hook":
        swell(sheet.mask, vine(rng, row, right, rng.uniform(0.6, 1.6) * tall, rng.uniform(-80, 80)), half)
    return right


def draw_red_versal(
    sheet: Sheet, rng: np.random.Generator, row: float, col: float, tall_px: float, space_px: float
) -> float:
    """Draw a small versal on a baseline, with bulbs and long hairlines; give its right end, px."""
    wide = tall_px * rng.uniform(0.45, 0.9)
    letter = str(rng.choice([*LETTERS, "I", "I", "V", "R"]))
    if letter == "I":
        wide = 0.4 * tall_px
    draw_versal(sheet.mask, letter, (row - tall_px, col, row, col + wide), rng.uniform(0.07, 0.2))
    fine = max(rng.uniform(0.03, 0.07) * space_px, 0.6)
    at = col + rng.uniform(0.0, 0.4) * wide
    for _ in range(int(rng.integers(0, 3))):
        top, foot = row - tall_px - rng.uniform(0, 2.2) * space_px, row + rng.uniform(-0.5, 2.2) * space_px
        drift = rng.normal(0, 0.12) * space_px
        thin(sheet, bend([(top, at), ((top + foot) / 2, at + drift), (foot, at)], 8), fine)
        at += rng.uniform(0.1, 0.4) * wide
    for _ in range(int(rng.integers(0, 3))):
        bulb = rng.uniform(0.08, 0.3) * space_px
        where = row - rng.uniform(0.0, 1.1) * tall_px, col + rng.uniform(-0.1, 0.5) * wide
        fill(sheet.mask, circle(*where, bulb, 12) * 1.0)
    return float(col + wide)


def draw_flourish(
    sheet: Sheet, rng: np.random.Generator, top: float, bottom: float, col: float, space_px: float
) -> None:
    """Draw a vertical pen line with bulbs and curls, as initials send down a margin."""
    s = space_px
    rows = np.linspace(top, bottom, 24)
    wave = rng.uniform(0.02, 0.15) * s * np.sin(rows / s * rng.uniform(0.5, 2.5) + rng.uniform(0, 6))
    cols = col + wave + rng.normal(0, 0.03) * (rows - top)
    body = rng.uniform(0.02, 0.13) * s * (0.6 + 0.8 * np.sin(np.linspace(0, np.pi, 24)))
    swell(sheet.mask, np.stack([rows, cols], 1), np.maximum(body, 0.4))
    if rng.random() < 0.5:
        beside = rng.uniform(0.12, 0.3) * s
        thin(sheet, np.stack([rows, cols + beside], 1), max(0.04 * s, 0.6))
    for _ in range(int(rng.integers(0, 5))):
        k = int(rng.integers(0, 24))
        t = np.linspace(0, rng.uniform(2, 6), 14)
        size = rng.uniform(0.04, 0.14) * s
        curl = np.stack([rows[k] + t * size * np.sin(t), cols[k] + t * size * np.cos(t)], 1)
        swell(sheet.mask, curl, np.linspace(0.07, 0.02, 14) * s)
    for _ in range(int(rng.integers(0, 3))):
        k = int(rng.integers(0, 24))
        fill(sheet.mask, circle(rows[k], cols[k], rng.uniform(0.1, 0.35) * s, 14) * 1.0)
