"""Words on the overlay: beside signs, at staves, in the strip on top."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from neumary.doubt import DOUBT_BELOW, doubtful_signs, reasons_to_doubt
from neumary.order import Event
from neumary.overlay_free import around, is_free, sign_name
from neumary.overlay_labels import Label, typeface
from neumary.overlay_view import BLACK, BLUE, GREEN, VERMILLION, Colour, View
from neumary.types import PNAMES, U8, Page, Reading
from neumary_models.labels import BY_NAME, HEADS

Weights = npt.NDArray[np.uint16]

_RIM_PX: Final = 2  # light rim around words
_LEAST_HEADER_PX: Final = 6  # smaller type is no help


def sign_labels(page: Page, view: View, events: dict[str, list[Event]]) -> list[Label]:
    """Name every sign of a page beside its ink; doubtful ones in the colour of doubt."""
    labels = []
    for staff in page.staves:
        octave: int | None = None
        for event in events[staff.id]:
            if is_free(event):
                doubtful = event.neume is not None and (event.neume.confidence or 0.0) < DOUBT_BELOW
                colour = VERMILLION if doubtful else BLUE
                labels.append(Label(sign_name(page, event), colour, view.letter_px, around(event, view)))
                continue
            for glyph, reading in event.signs:
                text, octave = _sign_text(reading, octave)
                if not text:
                    continue
                doubtful = bool(reasons_to_doubt(reading))
                colour = VERMILLION if doubtful else BLUE if reading.label in HEADS else GREEN
                labels.append(Label(text, colour, view.letter_px, view.box(glyph.box, view.pen_px)))
    return labels


def sign_text(reading: Reading) -> str:
    """Name a sign as on the overlay, a note with its octave: ``c4``, ``b-flat3?``, ``C clef``."""
    return _sign_text(reading, None)[0] or reading.label


def _sign_text(reading: Reading, octave: int | None) -> tuple[str, int | None]:
    """Words beside a sign, and the octave in force after it."""
    group = BY_NAME[reading.label].group
    if group == "clef":
        return f"{BY_NAME[reading.label].letter} clef", octave
    if group == "accidental":
        return reading.label, octave
    if group == "division":
        return "", octave
    pitch = reading.pitch
    if pitch is None or pitch.degree is None or pitch.certainty == "contour":
        moves = {"u": "up", "d": "down", "s": "same", "": "?"}
        return ("custos" if group == "custos" else moves[pitch.contour if pitch else ""]), octave
    text = PNAMES[pitch.degree % 7] + ("-flat" if pitch.alter < 0 else "")
    text += "" if pitch.octave == octave else str(pitch.octave)
    text += "?" if pitch.certainty == "ranged" else ""
    return (f"custos {text}" if group == "custos" else text), pitch.octave


def staff_labels(page: Page, view: View) -> list[Label]:
    """Name each staff at its left end, with the codes of its warnings."""
    labels = []
    for staff in page.staves:
        codes = list(dict.fromkeys(x.code for x in page.warnings if x.staff == staff.id and not x.glyph))
        if staff.lines:
            row, col = view.point(staff.lines[-1].rows[0], staff.lines[-1].cols[0])
        else:
            row, col = view.point(staff.area.top, staff.area.left)
        place = (row - view.letter_px, col, row - view.letter_px + 1, col + 1)
        text = staff.id + (": " + ", ".join(codes) if codes else "")
        labels.append(Label(text, VERMILLION if codes else BLACK, view.letter_px, place))
    return labels


@lru_cache(maxsize=4096)
def _word(text: str, colour: Colour, size_px: int) -> tuple[Weights, Weights]:
    """A word on a light rim: what it adds to the picture, and how much of the picture it leaves.

    Both uint16, shape (h, w, 3), in 1/255. Note names come back a hundred times on a page.
    """
    font = typeface(size_px)
    _, _, right, bottom = font.getbbox(text, anchor="lt")
    size = (int(np.ceil(right)) + 2 * _RIM_PX, int(np.ceil(bottom)) + 2 * _RIM_PX)
    patch = Image.new("RGBA", size, (255, 255, 255, 0))
    pen = ImageDraw.Draw(patch)
    at = (_RIM_PX, _RIM_PX)
    pen.text(at, text, colour, font, "lt", stroke_width=_RIM_PX, stroke_fill=(255, 255, 255))
    pixels = np.asarray(patch).astype(np.uint16)
    alpha = pixels[..., 3:]
    added = pixels[..., :3] * alpha + 127  # rounds
    return added, np.broadcast_to(255 - alpha, added.shape).copy()


def write_words(canvas: U8, view: View, page: Page, placed: list[tuple[Label, float, float]]) -> U8:
    """Write all words with Pillow's own scalable type, on a light rim; changes the canvas."""
    for label, row, col in placed:
        added, left_over = _word(label.text, label.colour, label.size_px)
        top, left = round(row) - _RIM_PX, round(col) - _RIM_PX
        above, before = max(-top, 0), max(-left, 0)
        place = canvas[top + above : top + added.shape[0], left + before : left + added.shape[1]]
        inside = np.s_[above : above + place.shape[0], before : before + place.shape[1]]
        place[:] = (place * left_over[inside] + added[inside]) // 255
    header = Image.fromarray(canvas[: view.top])
    _write_header(ImageDraw.Draw(header), view, page, canvas.shape[1])
    canvas[: view.top] = np.asarray(header)
    return canvas


def _write_header(pen: ImageDraw.ImageDraw, view: View, page: Page, width: int) -> None:
    """Write the strip on top: what this is, and how much of it to check."""
    notes = sum(reading.label in HEADS for reading in page.current().values())
    doubtful = len(doubtful_signs(page))
    counts = (
        (len(page.staves), "staff", "staves"),
        (notes, "note", "notes"),
        (doubtful, "doubtful sign", "doubtful signs"),
        (len(page.warnings), "warning", "warnings"),
    )
    found = ", ".join(f"{number} {one if number == 1 else many}" for number, one, many in counts)
    text = f"{page.page_id}  |  draft for a specialist to check  |  {found}"
    text += "  |  diamond: doubtful sign, ring: doubtful pitch"
    if page.staves and not any(staff.lines for staff in page.staves):
        text += "  |  no lines, no letters: no pitch is given"
    size = round(view.top / 1.7)
    share = (width - 16) / pen.textlength(text, typeface(size))
    font = typeface(max(_LEAST_HEADER_PX, int(size * min(share, 1.0))))  # so that it fits
    pen.text((8, view.top / 2), text, BLACK, font, "lm")
    pen.line((0, view.top - 1, width, view.top - 1), BLACK, 1)
