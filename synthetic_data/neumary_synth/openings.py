"""The splendid opening of a page without staves: a huge initial, capitals on painted bands.

The first lines of such a page stand beside a panel of interlaced ribbons, in capitals of ink or
body colour, on bands of tint that alternate between words and signs (common practice of the 9th
to 12th century, no source). Signs go on over bands and close to paint.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from neumary_synth.paints import BoxPx, shade, thin
from neumary_synth.parchment import field
from neumary_synth.pen import F64, bend, fill
from neumary_synth.sheets import FlatPage, Rgb, Sheet

_TINTS: Final[tuple[Rgb, ...]] = (
    (116, 128, 132), (84, 104, 112), (164, 96, 90), (140, 74, 72), (132, 156, 122), (150, 120, 140),
    (190, 160, 100),
)  # fmt: skip
_BODIES: Final[tuple[Rgb, ...]] = ((168, 128, 62), (190, 150, 84), (176, 62, 42), (60, 84, 130), (84, 78, 84))
_OUTLINES: Final[tuple[Rgb, ...]] = ((214, 104, 40), (180, 60, 40), (60, 50, 46), (150, 112, 50))
_GROUNDS: Final[tuple[Rgb, ...]] = ((46, 96, 66), (50, 92, 150), (40, 60, 96), (150, 90, 84))
_LEAST_LINE: Final = 9.0  # spaces a line keeps beside the initial


@dataclass(frozen=True, slots=True)
class Opening:
    """What marks the first lines of a page.

    Attributes
    ----------
    lines : int
        Lines in capitals.
    word_tints, sign_tints : tuple of Rgb
        Of the bands under words and under signs; empty = no such bands.
    body : Rgb or None
        Body colour of the capitals; None = the words' ink.
    spread : float
        Further white after each syllable, spaces.
    beside : float
        Width of the initial's panel as a share of the line; 0 = none.
    tail : bool
        Whether the initial's stem runs down the margin.
    grand : float
        Height of the capitals as a share of a line, where each of these lines takes the room of two and few
        signs stand over few capitals; 0 = lines no taller than others.
    """

    lines: int
    word_tints: tuple[Rgb, ...]
    sign_tints: tuple[Rgb, ...]
    body: Rgb | None
    spread: float
    beside: float
    tail: bool
    grand: float = 0.0

    @property
    def rows(self) -> int:
        """How many of the page's lines the opening takes up."""
        return self.lines * (2 if self.grand else 1)

    @classmethod
    def sample(cls, rng: np.random.Generator) -> Opening:
        """Draw how a page opens: mostly plainly."""
        if rng.random() >= 0.45:
            return cls(0, (), (), None, 0.0, 0.0, False)
        banded = rng.random() < 0.6
        words = tuple(_tint(rng) for _ in range(2)) if banded else ()
        signs = tuple(_tint(rng) for _ in range(2)) if banded and rng.random() < 0.6 else ()
        body = shade(rng, _BODIES[int(rng.integers(len(_BODIES)))], 12) if rng.random() < 0.55 else None
        beside = float(rng.uniform(0.2, 0.55)) if rng.random() < 0.55 else 0.0
        lines, spread = int(rng.integers(1, 6)), float(rng.choice([0.3, rng.uniform(0.5, 4.0)]))
        tail = bool(rng.random() < 0.6)
        grand = float(rng.uniform(0.5, 1.0)) if rng.random() < 0.45 else 0.0
        return cls(min(lines, 3) if grand else lines, words, signs, body, spread, beside, tail, grand)


def _tint(rng: np.random.Generator) -> Rgb:
    return shade(rng, _TINTS[int(rng.integers(len(_TINTS)))], 9)


def left_of_words(opening: Opening, left: float, right: float, space_px: float) -> float:
    """Where lines beside the initial begin, px."""
    room = right - left
    return left + max(0.0, min(opening.beside * room, room - _LEAST_LINE * space_px))


def draw_band(page: FlatPage, rng: np.random.Generator, tint: Rgb, box: BoxPx, space_px: float) -> None:
    """Paint a band, mottled and with an uneven edge, in place."""
    top, left, bottom, right = box
    n = max(4, round((right - left) / (3 * space_px)))
    shake = 0.08 * space_px
    cols = np.linspace(left, right, n)
    upper = np.stack([top + rng.normal(0, shake, n), cols], axis=1)
    lower = np.stack([bottom + rng.normal(0, shake, n), cols], axis=1)[::-1]
    sheet = page.sheet("decoration", tint)
    own = np.zeros_like(sheet.mask)
    fill(own, np.concatenate([upper, lower]))
    rows = slice(max(0, int(top - space_px)), int(bottom + space_px) + 1)
    part = own[rows].astype(np.float32)
    grain = field(rng, part.shape, max(0.2 * space_px, 2.0)) + field(rng, part.shape, 1.5 * space_px)
    strength = rng.uniform(0.4, 0.75) * (1 + rng.uniform(0.02, 0.12) * grain)
    np.maximum(sheet.mask[rows], np.clip(part * strength, 0, 255).astype(np.uint8), out=sheet.mask[rows])


def draw_panel(
    page: FlatPage, rng: np.random.Generator, box: BoxPx, tail_to: float | None, space_px: float
) -> None:
    """Draw a huge initial of interlaced ribbons with painted grounds, in place.

    Parameters
    ----------
    page : FlatPage
    rng : numpy Generator
    box : tuple of float
        top, left, bottom, right, px.
    tail_to : float or None
        Row to which its stem runs down the margin.
    space_px : float
    """
    top, left, bottom, right = box
    size = np.array([bottom - top, right - left])
    names = {"body": _BODIES, "other": _BODIES, "edge": _OUTLINES, "ground": _GROUNDS, "second": _GROUNDS}
    paints = {name: shade(rng, of[int(rng.integers(len(of)))], 12) for name, of in names.items()}
    for name in ("ground", "second"):
        if rng.random() < 0.65:
            middle = np.array([top, left]) + rng.uniform(0.3, 0.7, 2) * size
            fill(page.sheet("decoration", paints[name], opaque=True).mask, _blob(rng, middle, 0.42 * size))
    wide = float(rng.uniform(0.5, 1.6)) * space_px
    ribbons = [_ring(rng, np.array([top, left]) + size / 2, 0.46 * size)]
    for _ in range(int(rng.integers(2, 8))):
        ribbons.append(_knot(rng, np.array([top, left]), size))
    if tail_to is not None:
        ribbons.append(_tail(rng, bottom - 0.5 * size[0], tail_to, left + 0.6 * wide, space_px))
    for k, path in enumerate(ribbons):
        body = paints["body" if k % 2 == 0 else "other"]
        _ribbon(page.sheet("decoration", body, opaque=True), path, wide)
    edge = page.sheet("decoration", paints["edge"], opaque=True)
    for path in ribbons:
        side = _normals(path) * wide / 2
        for sign in (-1, 1):
            thin(edge, path + sign * side, max(0.12 * wide, 1.0))


def _blob(rng: np.random.Generator, middle: F64, half: F64) -> F64:
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    reach = 1 + 0.15 * np.sin(3 * turn + rng.uniform(0, 6)) + 0.08 * np.sin(5 * turn + rng.uniform(0, 6))
    return np.asarray(middle + (np.stack([np.sin(turn), np.cos(turn)]) * reach).T * half)


def _ring(rng: np.random.Generator, middle: F64, half: F64) -> F64:
    ring = _blob(rng, middle, half)
    return np.asarray(bend(np.concatenate([ring, ring[:2]]), 4))


def _knot(rng: np.random.Generator, corner: F64, size: F64) -> F64:
    return np.asarray(bend(corner + rng.uniform(0, 1, (int(rng.integers(4, 8)), 2)) * size, 8))


def _tail(rng: np.random.Generator, top: float, bottom: float, col: float, space_px: float) -> F64:
    rows = np.linspace(top, bottom, 12)
    sway = np.cumsum(rng.normal(0, 0.35, 12)) * space_px * rng.uniform(0, 1)
    return np.asarray(bend(np.stack([rows, col + sway - sway[0]], axis=1), 4))


def _ribbon(sheet: Sheet, path: F64, wide_px: float) -> None:
    points = np.round(path[:, ::-1] * 16).astype(np.int32)
    cv2.polylines(sheet.mask, [points], False, 255, max(round(wide_px), 1), cv2.LINE_AA, 4)


def _normals(path: F64) -> F64:
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1)
