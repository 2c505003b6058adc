"""Marks on and round the staves that are no notation, though some look like notes.

Blots and ink spots of a head's size, rubbed notes that left a ghost, smears, dirt, worm
holes, stray strokes and pen trials. None is laid where a sign stands but thin smears and stains.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from neumary_synth.paints import ink_sheet
from neumary_synth.pen import bend, fill
from neumary_synth.plan import Plan
from neumary_synth.sheets import U8, FlatPage, Rgb
from neumary_synth.versals import swell

_BROWN: Final[Rgb] = (104, 76, 50)
_DIRT: Final[Rgb] = (92, 84, 74)
_RUST: Final[Rgb] = (132, 96, 58)
_ORANGE: Final[Rgb] = (186, 122, 66)
_HOLE: Final[Rgb] = (44, 34, 26)
_FORMS: Final = (
    "blot",
    "spot",
    "ghost",
    "smear",
    "dirt",
    "hole",
    "stroke",
    "stain",
    "rubbed",
    "splash",
    "jab",
)
_SHARES: Final = (0.14, 0.12, 0.18, 0.1, 0.06, 0.06, 0.08, 0.08, 0.06, 0.08, 0.04)


def _lay(mask: U8, outlines: list[np.ndarray], strength: int, blur_px: float = 0.0) -> None:
    """Fill outlines into a mask, blurred where asked, in place; darker ink stays."""
    low = np.min([o.min(axis=0) for o in outlines], axis=0) - 3 * blur_px - 2
    high = np.max([o.max(axis=0) for o in outlines], axis=0) + 3 * blur_px + 3
    top, left = max(int(low[0]), 0), max(int(low[1]), 0)
    part = mask[top : max(int(high[0]), 0), left : max(int(high[1]), 0)]
    if part.size == 0:
        return
    patch = np.zeros_like(part)
    for outline in outlines:
        fill(patch, outline - (top, left), strength)
    if blur_px > 0.3:
        patch = np.asarray(cv2.GaussianBlur(patch, (0, 0), blur_px), np.uint8)
    np.maximum(part, patch, out=part)


def _free(page: FlatPage, row: float, col: float, high: float, wide: float) -> bool:
    """Whether no sign's ink lies within half a height and half a width of a point."""
    r0, c0 = max(int(row - high), 0), max(int(col - wide), 0)
    part = np.s_[r0 : max(int(row + high) + 1, 0), c0 : max(int(col + wide) + 1, 0)]
    return not any(s.layer == "music" and s.mask[part].any() for s in page.sheets)


def _blob(rng: np.random.Generator, row: float, col: float, high: float, wide: float) -> np.ndarray:
    """A closed round outline with bays and bulges."""
    n = 16
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    radius = 1 + 0.16 * np.sin(t * rng.integers(2, 5) + rng.uniform(0, 6)) + rng.normal(0, 0.09, n)
    turn = rng.uniform(-0.5, 0.5)
    r, c = high * radius * np.sin(t), wide * radius * np.cos(t)
    return np.stack([row + r * np.cos(turn) - c * np.sin(turn), col + r * np.sin(turn) + c * np.cos(turn)], 1)


def _headlike(rng: np.random.Generator, row: float, col: float, s: float) -> list[np.ndarray]:
    """Outlines of one to three heads that once stood here, joined or tailed."""
    high, wide = rng.uniform(0.2, 0.4) * s, rng.uniform(0.18, 0.38) * s
    out = []
    for k in range(int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))):
        r, c = row + k * rng.choice([-1.0, 1.0]) * 0.5 * s, col + k * rng.uniform(0.0, 2.0) * wide
        lean = rng.normal(0, 0.15) * wide
        box = np.array(
            [[-high, -wide - lean], [-high, wide - lean], [high, wide + lean], [high, -wide + lean]]
        )
        out.append(box * rng.uniform(0.85, 1.15, (4, 1)) + (r, c))
        if rng.random() < 0.3:
            tail = rng.uniform(0.4, 1.5) * s
            out.append(
                np.array(
                    [
                        [r, c + wide - 1],
                        [r + high + tail, c + wide - 1],
                        [r + high + tail, c + wide],
                        [r, c + wide],
                    ]
                )
            )
    return out


def mar_staves(page: FlatPage, rng: np.random.Generator, plan: Plan) -> None:
    """Lay marks on and between the staves of a page, in place.

    Parameters
    ----------
    page : FlatPage
        Written already.
    rng : numpy Generator
    plan : Plan
        Its habits tell the mean number at each staff.
    """
    s, mean = page.space_px, plan.style.habits.marks
    if mean <= 0:
        return
    dark = page.sheet("decoration", plan.style.music_ink)
    for staff in page.staves:
        top, left, bottom, right = staff.area
        for _ in range(int(rng.poisson(mean))):
            row, col = rng.uniform(top + 0.6 * s, bottom), rng.uniform(left, right)
            form = str(rng.choice(_FORMS, p=_SHARES))
            if form == "jab":  # at a staff's end it would be a custos to any eye
                col = min(col, right - 5.0 * s)
            _mar(page, rng, form, row, col, s, dark.ink)


def _mar(
    page: FlatPage, rng: np.random.Generator, form: str, row: float, col: float, s: float, ink: Rgb
) -> None:
    weak, over = int(rng.uniform(40, 130)), form in ("smear", "stain", "splash") and rng.random() < 0.35
    if not over and not _free(page, row, col, 0.75 * s, 0.75 * s):
        return
    match form:
        case "blot":
            mask = page.sheet("decoration", ink).mask
            high = rng.uniform(0.14, 0.5) * s
            soft = float(rng.choice([0.0, rng.uniform(0.02, 0.15)])) * s
            _lay(
                mask,
                [_blob(rng, row, col, high, high * rng.uniform(0.6, 1.7))],
                int(rng.uniform(120, 255)),
                soft,
            )
        case "spot":
            mask = page.sheet("decoration", ink).mask
            for _ in range(int(rng.integers(1, 5))):
                radius = rng.uniform(0.04, 0.16) * s + 0.4
                at = row + rng.normal(0, 0.3) * s, col + rng.normal(0, 0.5) * s
                if _free(page, *at, 0.3 * s, 0.3 * s):
                    _lay(mask, [_blob(rng, *at, radius, radius)], int(rng.uniform(90, 255)))
        case "ghost" | "rubbed":
            mask = ink_sheet(page, rng, "bleed", _DIRT).mask
            _lay(mask, _headlike(rng, row, col, s), weak, rng.uniform(0.02, 0.12) * s)
            if form == "rubbed" or rng.random() < 0.5:  # and the smear the knife left
                wide = rng.uniform(0.5, 1.5) * s
                _lay(mask, [_blob(rng, row, col, 0.55 * s, wide)], int(rng.uniform(15, 50)), 0.2 * s)
        case "smear":
            mask = ink_sheet(page, rng, "decoration", _BROWN).mask
            wide = rng.uniform(0.3, 1.6) * s
            _lay(
                mask,
                [_blob(rng, row, col, rng.uniform(0.12, 0.5) * s, wide)],
                weak,
                rng.uniform(0.06, 0.3) * s,
            )
        case "dirt":
            mask = ink_sheet(page, rng, "decoration", _DIRT).mask
            for _ in range(int(rng.integers(4, 16))):
                at = row + rng.normal(0, 0.25) * s, col + rng.normal(0, 0.45) * s
                radius = rng.uniform(0.02, 0.09) * s + 0.3
                _lay(mask, [_blob(rng, *at, radius, radius * rng.uniform(0.6, 2))], int(rng.uniform(60, 220)))
        case "hole":
            mask = page.sheet("decoration", _HOLE).mask
            radius = rng.uniform(0.05, 0.22) * s + 0.4
            for _ in range(int(rng.integers(1, 4))):
                _lay(mask, [_blob(rng, row, col, radius, radius * rng.uniform(0.8, 1.3))], 255)
                row, col = row + rng.normal(0, 0.6) * s, col + rng.normal(0, 0.6) * s
        case "stain":
            mask = ink_sheet(page, rng, "bleed", _ORANGE).mask
            high = rng.uniform(0.25, 1.5) * s
            _lay(
                mask,
                [_blob(rng, row, col, high, high * rng.uniform(0.7, 1.6))],
                weak // 2,
                rng.uniform(0.05, 0.2) * s,
            )
        case "splash":  # a drop of something brown, sharp at its edge, run out to one side
            mask = ink_sheet(page, rng, "decoration", _RUST).mask
            high, way = rng.uniform(0.15, 0.35) * s, rng.uniform(0, 2 * np.pi)
            drops = [_blob(rng, row, col, high, high * rng.uniform(0.8, 1.4))]
            for k in range(int(rng.integers(1, 4))):
                away, high = (k + rng.uniform(0.6, 1.2)) * high, high * rng.uniform(0.55, 0.9)
                drops.append(_blob(rng, row + away * np.sin(way), col + away * np.cos(way), high, 1.1 * high))
            _lay(mask, drops, int(rng.uniform(110, 230)), 0.03 * s)
        case "jab":  # a pen tried: a thick slanted stroke longer than a head
            mask = page.sheet("decoration", ink).mask
            long, half = rng.uniform(0.9, 1.6) * s, rng.uniform(0.08, 0.18) * s
            fall = rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.1)
            ends = np.array([[row, col], [row + long * np.sin(fall), col + long * np.cos(fall)]])
            if all(_free(page, r, c, 0.4 * s, 0.4 * s) for r, c in ends):
                swell(mask, bend(ends, 6), half * rng.uniform(0.7, 1.3, 7), int(rng.uniform(170, 255)))
        case _:
            mask = ink_sheet(page, rng, "decoration", _BROWN if rng.random() < 0.6 else ink).mask
            end = np.array([rng.normal(0, 0.9), rng.uniform(-0.8, 1.5)]) * s
            middle = end / 2 + rng.normal(0, 0.15, 2) * s
            path = bend([(row, col), (row + middle[0], col + middle[1]), (row + end[0], col + end[1])], 6)
            if all(_free(page, r, c, 0.2 * s, 0.2 * s) for r, c in path[::4]):
                swell(mask, path, np.linspace(0.06, 0.02, len(path)) * s * rng.uniform(0.5, 2), weak + 80)
