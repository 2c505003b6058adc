"""Staffless signs -> glyphs, readings and neumes: one glyph for each note inside a sign.

A sign is read as a whole; where its notes stand follows from its name and box and is moved onto
its ink. What is stated of a note is its label and whether it goes up, down or stays against the
note before it in the same sign. Between signs nothing is stated: their heights have no measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, cast

import numpy as np

from neumary.staffless import FreeCandidate
from neumary.staffless_look import FreeLook
from neumary.staffless_rows import SignNote, notes_of
from neumary.types import Bool, Box, Glyph, Neume, Pitch, Reading
from neumary_models.staffless_outputs import STAFFLESS_NAMES

LETTER: Final = "letter"
_STATED_P: Final = 0.5  # from which an episema or a liquescence is stated
_RIVAL_P: Final = 0.02
_MOST_RIVALS: Final = 3
_BARE_SIZES: Final = 0.12  # half side of a note's box where its sign has no ink there, in virgae
_TRADE: Final = {"distropha": "bistropha", "stropha": "apostropha"}
"""The standard's words (MEI 5.1, neume/@type) where the network's list has another."""


@dataclass(frozen=True, slots=True)
class FreeNeume:
    """One sign as it goes into a page; its parts refer to each other by ids still to be given.

    Attributes
    ----------
    glyphs : tuple of Glyph
    readings : tuple of Reading
        One for each glyph.
    neume : Neume
        Its glyphs' ids still empty.
    box : Box
        All its ink, page px.
    p_episema : float
    """

    glyphs: tuple[Glyph, ...]
    readings: tuple[Reading, ...]
    neume: Neume
    box: Box
    p_episema: float


def to_neume(sign: FreeCandidate, look: FreeLook, staff: str, layer: str = "melody") -> FreeNeume:
    """Take a sign apart into its notes.

    Parameters
    ----------
    sign : FreeCandidate
        Not a letter.
    look : FreeLook
        What it was seen in.
    staff : str
        Id of its row or staff.
    layer : str
        "melody", "upper" or "lower".

    Returns
    -------
    FreeNeume
        Pitches are contours, never degrees; confidences are calibrated probabilities that the
        sign is there and has its name.
    """
    notes = notes_of(sign.name, sign.box)
    liquescent = sign.p_liquescent > _STATED_P
    labels = [note.label for note in notes]
    if liquescent:
        labels[-1] = "liquescent"
    places = _on_ink(notes, sign, look)
    name, sure, rivals = _names(sign, liquescent)
    glyphs = tuple(
        Glyph(id="", staff=staff, row=row, col=col, box=box, layer=layer) for row, col, box in places
    )
    readings = tuple(
        Reading(
            glyph="",
            label=label,
            confidence=sure,
            pitch=Pitch(certainty="contour", contour=cast(Literal["", "u", "d", "s"], note.move)),
            starts_neume=float(k == 0),
        )
        for k, (label, note) in enumerate(zip(labels, notes, strict=True))
    )
    contour = "".join(note.move for note in notes).upper()
    neume = Neume(
        id="", staff=staff, glyphs=(), name=name, contour=contour, confidence=sure, rivals=tuple(rivals)
    )
    around = Box(
        min(box.top for *_, box in places),
        min(box.left for *_, box in places),
        max(box.bottom for *_, box in places),
        max(box.right for *_, box in places),
    )
    return FreeNeume(glyphs, readings, neume, around, sign.p_episema)


def _names(sign: FreeCandidate, liquescent: bool) -> tuple[str, float, list[tuple[str, float]]]:
    """Name, its probability, and its rivals; letters among them."""
    shares = [(_TRADE.get(name, name), float(p)) for name, p in zip(STAFFLESS_NAMES, sign.names, strict=True)]
    ranked = sorted(((p * sign.p_sign, name) for name, p in shares), reverse=True)
    rivals = [(name, round(p, 4)) for p, name in ranked[1 : 1 + _MOST_RIVALS] if p >= _RIVAL_P]
    p, name = ranked[0]
    if liquescent and name not in ("cephalicus", "epiphonus"):
        name += " liquescens"
    return name, round(p, 4), rivals


def _on_ink(
    notes: tuple[SignNote, ...], sign: FreeCandidate, look: FreeLook
) -> list[tuple[float, float, Box]]:
    """Row, column and box of each note in page px; each pixel of ink goes to the nearest note."""
    top, left, bottom, right = page_edges(sign.box, look)
    first_row, first_col = max(0, int(sign.box[0])), max(0, int(sign.box[1]))
    ink: Bool = look.ink[first_row : int(sign.box[2]) + 2, first_col : int(sign.box[3]) + 2]
    rows, cols = np.nonzero(ink)
    rows, cols = rows + first_row, cols + first_col
    away = np.array([(rows - note.row) ** 2 + (cols - note.col) ** 2 for note in notes])
    nearest = away.argmin(axis=0) if rows.size else np.zeros(0, int)
    half = _BARE_SIZES * look.size_px
    places = []
    for k, note in enumerate(notes):
        own = nearest == k
        row, col = note.row, note.col
        edges = (row - half, col - half, row + half, col + half)
        if own.any():
            at = int(np.where(own, away[k], np.inf).argmin())
            row, col = float(rows[at]), float(cols[at])
            edges = (
                float(rows[own].min()), float(cols[own].min()),
                float(rows[own].max() + 1), float(cols[own].max() + 1),
            )  # fmt: skip
        t, le, b, r = page_edges(edges, look)
        t, le = max(t, top), max(le, left)
        box = Box(t, le, max(t + 1, min(b, bottom)), max(le + 1, min(r, right)))
        places.append(((row + 0.5) / look.scale - 0.5, (col + 0.5) / look.scale - 0.5, box))
    return places


def page_edges(edges: tuple[float, float, float, float], look: FreeLook) -> tuple[int, int, int, int]:
    """Half-open box in page px (top, left, bottom, right) of edges in input px."""
    top, left, bottom, right = (edge / look.scale for edge in edges)
    t, le = max(0, int(np.floor(top))), max(0, int(np.floor(left)))
    return t, le, max(t + 1, int(np.ceil(bottom))), max(le + 1, int(np.ceil(right)))
