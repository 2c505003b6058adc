"""Paints and simple shapes that initials, capitals, rubrics and marks share."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from neumary_synth.sheets import FlatPage, Rgb, Sheet

BoxPx = tuple[float, float, float, float]

# Body colours as they look on photographed leaves, with room to vary.
RED: Final[Rgb] = (176, 62, 42)
BLUE: Final[Rgb] = (46, 84, 148)
GOLD: Final[Rgb] = (150, 112, 50)
PINK: Final[Rgb] = (182, 132, 118)
GREEN: Final[Rgb] = (70, 110, 84)
WHITE: Final[Rgb] = (226, 222, 212)
BLACK: Final[Rgb] = (40, 34, 32)
_NEAR: Final = 45  # paints closer than this (sum over the channels) are the same pot


def shade(rng: np.random.Generator, colour: Rgb, spread: float = 10.0) -> Rgb:
    """A colour near another."""
    moved = np.clip(np.array(colour) + rng.normal(0, spread, 3), 12, 245).astype(int)
    return int(moved[0]), int(moved[1]), int(moved[2])


def page_inks(page: FlatPage, rng: np.random.Generator) -> dict[str, Rgb]:
    """The page's own paints, made once so that its initials match."""
    made = {s.ink for s in page.sheets if s.opaque}
    names = {"red": RED, "blue": BLUE, "gold": GOLD, "pink": PINK, "green": GREEN}
    kept: dict[str, Rgb] = {}
    for name, colour in names.items():
        near = [c for c in sorted(made) if sum(abs(a - b) for a, b in zip(c, colour, strict=True)) < _NEAR]
        kept[name] = near[0] if near else shade(rng, colour)
    return kept


def ink_sheet(page: FlatPage, rng: np.random.Generator, layer: str, colour: Rgb) -> Sheet:
    """A sheet of translucent ink of about this colour: the page's own, or a new one."""
    for sheet in page.sheets:
        near = sum(abs(a - b) for a, b in zip(sheet.ink, colour, strict=True))
        if sheet.layer == layer and not sheet.opaque and near < _NEAR:
            return sheet
    return page.sheet(layer, shade(rng, colour))


def thin(
    sheet: Sheet, points: np.ndarray, thickness_px: float, closed: bool = False, strength: int = 255
) -> None:
    """Draw a fine even line through (row, col) points."""
    whole = max(round(thickness_px), 1)
    weak = int(strength * min(thickness_px / whole, 1.0))
    cv2.polylines(
        sheet.mask, [np.round(points[:, ::-1] * 16).astype(np.int32)], closed, weak, whole, cv2.LINE_AA, 4
    )


def circle(row: float, col: float, radius: float, n: int = 20) -> np.ndarray:
    """Outline of a circle, (n, 2) float (row, col) px."""
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([row + radius * np.sin(t), col + radius * np.cos(t)], axis=1)


def rect(box: BoxPx) -> np.ndarray:
    """Outline of a box."""
    top, left, bottom, right = box
    return np.array([[top, left], [top, right], [bottom, right], [bottom, left]])


def grow(box: BoxPx, by: float) -> BoxPx:
    """A box made larger on all sides."""
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by


def vine(rng: np.random.Generator, row: float, col: float, length: float, heading_deg: float) -> np.ndarray:
    """A wandering pen line from a point, (40, 2) float (row, col) px."""
    n = 40
    turn = np.cumsum(rng.normal(0, 0.10, n)) + 0.25 * np.sin(np.linspace(0, rng.uniform(4, 12), n))
    angle = np.deg2rad(heading_deg) + turn
    step = np.stack([np.cumsum(np.sin(angle)), np.cumsum(np.cos(angle))], 1) * (length / n)
    return np.add(step, (row, col))
