"""Staffless neumes: over the words with no staff at all, or as extra layers round a staff.

A staffless sign stands for one note or several. The page's truth gives one glyph for each
note, snapped to the sign's ink, with the sign's contour and no pitch; beside it stands the
list of whole signs (`neumary_synth.staffless_truth`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from neumary_synth.drawn import Drawn
from neumary_synth.hand import Hand
from neumary_synth.melody import ChantNeume
from neumary_synth.sheets import FlatPage, Rgb, Sheet
from neumary_synth.signs import Stand
from neumary_synth.staffless import SIGNIFICATIVE_LETTERS, draw_staffless
from neumary_synth.staffless_truth import FreeSign, named

# contour of a group of notes -> signs that may stand for it, common ones more than once
_SIGNS: Final[dict[str, tuple[str, ...]]] = {
    "": ("virga", "virga", "virga", "punctum", "punctum", "tractulus", "virga with episema", "oriscus",
         "stropha", "cephalicus"),
    "U": ("pes", "pes", "pes", "epiphonus", "quilisma"),
    "D": ("clivis", "clivis", "clivis", "clivis with episema", "clivis with episema", "cephalicus"),
    "S": ("distropha", "distropha", "pressus", "bivirga"),
    "UD": ("torculus", "torculus", "torculus", "liquescent torculus"),
    "DU": ("porrectus",),
    "UU": ("scandicus", "quilisma", "quilisma", "salicus", "liquescent quilisma"),
    "DD": ("climacus", "climacus", "climacus with episema"),
    "SS": ("tristropha", "tristropha", "tristropha with episema", "trivirga"),
    "SD": ("trigon", "pressus"),
    "DUD": ("porrectus flexus", "porrectus flexus", "porrectus flexus with episema"),
    "UDU": ("torculus resupinus",),
    "UDD": ("pes subbipunctis", "pes subbipunctis"),
    "UUD": ("scandicus flexus", "compound quilisma", "compound torculus"),
    "DDD": ("compound climacus",),
    "UUU": ("compound scandicus", "compound pes"),
}  # fmt: skip
CONTOURS: Final[tuple[str, ...]] = tuple(_SIGNS)
"""Contours that one sign can show: U up, D down, S same for each move; "" is one note."""
_WRITTEN: Final = [*SIGNIFICATIVE_LETTERS, *"cceeltssmmtta"]
"""Significative letters, those for quick, level, high, low, hold and middling more than once."""
_LABELS: Final = {"tractulus": "punctum", "quilisma": "quilisma", "oriscus": "oriscus", "pressus": "oriscus",
                  "stropha": "stropha", "distropha": "stropha", "tristropha": "stropha", "trigon": "punctum",
                  "cephalicus": "liquescent", "epiphonus": "liquescent", "punctum": "punctum",
                  "climacus": "punctum", "scandicus": "punctum"}  # fmt: skip


def _ink(rng: np.random.Generator, low: Rgb, high: Rgb) -> Rgb:
    """A colour between two others."""
    mixed = np.round(np.array(low) + rng.random() * (np.array(high) - np.array(low))).astype(int)
    return int(mixed[0]), int(mixed[1]), int(mixed[2])


@dataclass(frozen=True, slots=True)
class AccentRow:
    """Extra layers of staffless signs round a staff: heights in spaces."""

    upper: float  # above the top line; 0 = no such layer
    lower: float  # below the bottom line; 0 = no such layer
    size: float
    lettered: float  # chance of a significative letter beside a neume
    climb: float  # how far signs climb for each degree of the melody, in signs
    inks: tuple[Rgb, Rgb]  # upper, lower

    @classmethod
    def sample(cls, rng: np.random.Generator) -> AccentRow:
        """Draw which layers a page has; never none."""
        both = rng.random() < 0.6
        upper = rng.uniform(1.6, 2.6) if both or rng.random() < 0.6 else 0.0
        lower = rng.uniform(1.6, 2.4) if both or not upper else 0.0
        dark = _ink(rng, (24, 22, 22), (80, 74, 70))
        red = _ink(rng, (150, 30, 25), (215, 80, 60))
        inks = (dark if rng.random() < 0.8 else red, red if rng.random() < 0.6 else dark)
        return cls(upper, lower, rng.uniform(0.7, 1.3), float(rng.choice([0.0, rng.uniform(0.1, 0.4)])),
                   rng.uniform(0.0, 0.1), inks)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SignPen:
    """Everything that stays the same while one row of signs is written."""

    page: FlatPage
    sheet: Sheet
    hand: Hand
    size_px: float
    row: int
    layer: str = "melody"
    climb: float = 0.0  # rows up for each degree above the neume's middle, in signs
    spread: float = 0.0  # how unlike in size its signs are, as the spread of a logarithm
    density: float = 1.0  # of its ink

    def write(self, rng: np.random.Generator, row: float, col: float, name: str, notes: int) -> Drawn:
        """Draw one sign and keep it in the page's list of signs."""
        size = self.size_px * float(np.exp(np.clip(rng.normal(0, self.spread), -0.35, 0.35)))
        drawn, _ = draw_staffless(self.sheet.mask, self.hand, rng, row, col, size, name)
        name, episema, liquescent, text = named(name)
        box = (drawn.top, drawn.left, drawn.bottom, drawn.right)
        density = self.density * float(rng.uniform(0.75, 1.08))
        if not notes and rng.random() < 0.4:  # a letter, in thinner ink
            density *= float(rng.uniform(0.55, 0.95))
        self.sheet.flow.append((*box, density))
        self.page.free.append(
            FreeSign(name, box, self.size_px, self.layer, self.row, notes, episema, liquescent, text)
        )
        return drawn

    def letters(self, rng: np.random.Generator, row: float, col: float) -> float:
        """Draw one to three significative letters side by side; give the right end."""
        for _ in range(int(rng.choice([1, 2, 3], p=[0.75, 0.18, 0.07]))):
            name = f"letter {rng.choice(_WRITTEN)}"
            col = self.write(rng, row + rng.normal(0, 0.05) * self.size_px, col, name, 0).right
            col += rng.uniform(0.05, 0.2) * self.size_px
        return col


def _contours(degrees: Sequence[int]) -> list[str]:
    """Cut a neume's moves into contours that one sign can show."""
    moves = ["U" if b > a else "D" if b < a else "S" for a, b in pairwise(degrees)]
    cut, held = [], ""
    for move in [*moves, "|"]:
        if move != "|" and held + move in _SIGNS:
            held += move
        else:
            cut.append(held)
            held = ""
    return cut


def _heights(contour: str) -> list[float]:
    """Heights of a sign's notes, 0 = foot, 1 = top."""
    at = np.cumsum([0, *({"U": 1, "D": -1, "S": 0}[move] for move in contour)]).astype(float)
    span = at.max() - at.min()
    if not span:
        return [0.5] * len(at)
    return [float(h) for h in 0.08 + 0.84 * (at - at.min()) / span]


def draw_signs(
    pen: SignPen, rng: np.random.Generator, row: float, col: float, neume: ChantNeume
) -> tuple[list[tuple[Drawn, str]], float]:
    """Draw a neume as staffless signs, in place.

    Returns
    -------
    notes : list of (Drawn, str)
        One for each note, on the sign's ink, with its move against the note before it in
        the neume ("" for the first, else "u", "d" or "s").
    right : float
        Right end, px.
    """
    degrees = [note.degree for note in neume.notes]
    middle = (min(degrees) + max(degrees)) / 2
    notes: list[tuple[Drawn, str]] = []
    at = 0
    for contour in _contours(degrees):
        n = len(contour) + 1
        name = str(rng.choice(list(_SIGNS[contour])))
        climb = pen.climb * (float(np.mean(degrees[at : at + n])) - middle)
        up = row - (climb + rng.normal(0, 0.06)) * pen.size_px
        drawn = pen.write(rng, up, col, name, n)
        for k, head in enumerate(_heads(pen.sheet, drawn, contour, name, first=at == 0)):
            move = ""
            if at + k:
                before, after = degrees[at + k - 1], degrees[at + k]
                move = "u" if after > before else "d" if after < before else "s"
            notes.append((head, move))
        at += n
        col = drawn.right + rng.uniform(-0.06, 0.3) * pen.size_px
    return notes, col


def _label(name: str) -> str:
    if "quilisma" in name:
        return "quilisma"
    return _LABELS.get(name.removesuffix(" with episema"), "virga")


def _heads(sheet: Sheet, drawn: Drawn, contour: str, name: str, first: bool) -> list[Drawn]:
    """One `Drawn` for each note of a sign, its centre moved to the nearest ink."""
    heights = _heights(contour)
    label = _label(name)
    top, left = max(int(drawn.top), 0), max(int(drawn.left), 0)
    part = sheet.mask[top : int(drawn.bottom) + 1, left : int(drawn.right) + 1]
    inked = np.argwhere(part > 100)
    n, wide = len(heights), drawn.right - drawn.left
    made = []
    for k, height in enumerate(heights):
        want = np.array(
            [drawn.bottom - height * (drawn.bottom - drawn.top), drawn.left + (k + 0.5) / n * wide]
        )
        if len(inked):
            spots = inked + np.array([top, left])
            want = spots[np.argmin(((spots - want) ** 2).sum(axis=1))].astype(float)
        slice_left, slice_right = drawn.left + k / n * wide, drawn.left + (k + 1) / n * wide
        slice_left, slice_right = min(slice_left, want[1] - 1), max(slice_right, want[1] + 1)
        made.append(
            Drawn(
                label, want[0], want[1], drawn.top, slice_left, drawn.bottom, slice_right, 0, first and k == 0
            )
        )
    return made


def _clear_of_notes(page: FlatPage, row: float, col: float, size_px: float, way: int) -> float:
    """A row for a sign, moved up (`way` -1) or down (1) where notes stand in its way."""
    for _ in range(4):
        top, bottom = max(int(row - 0.5 * size_px), 0), max(int(row + 0.5 * size_px), 0)
        left, right = max(int(col), 0), max(int(col + size_px), 0)
        if not any(x.mask[top:bottom, left:right].any() for x in page.sheets if x.layer == "music"):
            break
        row += way * 0.35 * size_px
    return row


def draw_accents(
    page: FlatPage,
    hand: Hand,
    rng: np.random.Generator,
    row: AccentRow,
    stand: Stand,
    left: float,
    neume: ChantNeume,
) -> list[tuple[Drawn, str, str]]:
    """Draw the extra layers over and under a neume that begins at a column, in place.

    Returns
    -------
    list of (Drawn, str, str)
        Each note on the sign's ink, its move as in `draw_signs`, and its layer.
    """
    s, top, staff = stand.space_px, 2 * (stand.n_lines - 1), len(page.staves) - 1
    places = (("upper", stand.row_of(top + 2 * row.upper, left), row.upper, row.inks[0]),
              ("lower", stand.row_of(-2 * row.lower, left), row.lower, row.inks[1]))  # fmt: skip
    made = []
    for number, (layer, at, wanted, ink) in enumerate(places):
        if wanted:
            own = replace(hand, seed=hand.seed + number)
            at = _clear_of_notes(page, at, left, row.size * s, -1 if layer == "upper" else 1)
            pen = SignPen(page, page.sheet("music", ink), own, row.size * s, staff, layer, row.climb)
            notes, right = draw_signs(pen, rng, at, left, neume)
            made += [(drawn, move, layer) for drawn, move in notes]
            if rng.random() < row.lettered:
                pen.letters(rng, at - rng.uniform(-0.4, 0.9) * pen.size_px, right - 0.3 * pen.size_px)
    return made
