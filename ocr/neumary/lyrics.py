"""The lyric line under a staff: where its words, or parts of words, stand.

The network names every pixel of a strip, text among them; what it calls text below the bottom line
is the lyrics. One line of writing is sought, its words parted at wide gaps. Scribes of chant
spread the syllables of a word to make room for the notes, so a box may hold a word, a part of one, or
two words written close: only a text tells (see `neumary.syllables`).
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from neumary.strips import BOTTOM_ROW, MARGIN_SPACES, STRIP_SPACE
from neumary.types import F32, U8, Bool, Box, Strip, Syllable
from neumary_models.labels import LAYERS
from neumary_models.outputs import LAYER, STRIDE

_CELL: Final = STRIP_SPACE / STRIDE  # cells per staff space
_TOP_SPACES: Final = 0.25  # below the bottom line: above that stand notes
_TEXT_P: Final = 0.5
_BAND_SHARE: Final = 0.35  # of the densest row; what is thinner is ascenders and descenders
_REACH: Final = 0.5  # of the x-height: how far above and below the band letters count
_GAP: Final = 0.36  # of the x-height: white that parts words; letters stand closer (design figure)
_LEAST: Final = 0.12  # of the x-height squared: text a box must hold; points and specks have less
_LINE_SPACES: Final = 1.0  # total width of text that makes a lyric line
_LOW: Final = 0.5  # of the x-height: what reaches over less of it is a point
_RED: Final = 50.0  # red above the mean of green and blue: rubrics have 54 to 133, brown ink up to 35


def find_words(strip: Strip, scores: F32) -> list[Syllable]:
    """Find the words, or parts of words, written below a staff.

    Parameters
    ----------
    strip : Strip
    scores : ndarray of float32, shape (C, h / 2, w / 2)
        Of the network for this strip, laid out as in `neumary_models.outputs`.

    Returns
    -------
    list of Syllable
        Left to right, without ids and text. Words in red are left out: rubrics are not sung.
    """
    text = _text_cells(scores) & ~_red_cells(strip.rgb)
    text[:, _end_col(strip) :] = False
    band = _band(text)
    if band is None:
        return []
    top, bottom = band
    height = bottom - top
    reach = round(_REACH * height)
    low, high = max(top - reach, _first_row()), min(bottom + reach, text.shape[0])
    words = []
    filled: Bool = np.asarray(text[top:bottom].any(axis=0), dtype=np.bool_)
    for left, right in _runs(filled, _GAP * height):
        cells = text[low:high, left:right]
        core = np.flatnonzero(text[top:bottom, left:right].any(axis=1))
        if cells.sum() < _LEAST * height**2 or np.ptp(core) + 1 < _LOW * height:
            continue  # points and specks
        words.append(Syllable(id="", staff=strip.staff.id, box=_page_box(strip, low, left, high, right)))
    return words


def _end_col(strip: Strip) -> int:
    """Column of the maps from which on words belong to another column of the page."""
    end = max(line.cols[-1] for line in strip.staff.lines) + MARGIN_SPACES * strip.staff.space_px
    return int(np.searchsorted(strip.page_cols[0], end)) // STRIDE


def _first_row() -> int:
    return int((BOTTOM_ROW / STRIP_SPACE + _TOP_SPACES) * _CELL)


def _text_cells(scores: F32) -> Bool:
    """Cells below the staff that are sooner text than anything else, shape of the maps."""
    text = np.zeros(scores.shape[1:], dtype=np.bool_)
    layers = np.ascontiguousarray(scores[LAYER, _first_row() :])
    shifted = np.exp(layers - layers.max(axis=0))
    text[_first_row() :] = shifted[LAYERS.index("text")] > _TEXT_P * shifted.sum(axis=0)
    return text


def _band(text: Bool) -> tuple[int, int] | None:
    """Rows (half-open, cells) of the small letters' bodies: the densest rows."""
    rows = text.sum(axis=1).astype(np.float64)
    if rows.max() < _LINE_SPACES * _CELL:
        return None
    size = max(3, round(_CELL / 2))
    dense = np.convolve(rows, np.ones(size) / size, mode="same")
    top = bottom = int(dense.argmax())
    floor = _BAND_SHARE * dense[top]
    while top > 0 and rows[top - 1] > floor:
        top -= 1
    while bottom < len(rows) and rows[bottom] > floor:
        bottom += 1
    return (top, bottom) if bottom - top >= 3 else None


def _runs(filled: Bool, gap: float) -> list[tuple[int, int]]:
    """Stretches (half-open) of filled columns; gaps not wider than `gap` are bridged."""
    cols = np.flatnonzero(filled)
    if not cols.size:
        return []
    breaks = np.flatnonzero(np.diff(cols) - 1 > gap)
    firsts, lasts = cols[np.append(0, breaks + 1)], cols[np.append(breaks, cols.size - 1)]
    return [(int(first), int(last) + 1) for first, last in zip(firsts, lasts, strict=True)]


def _red_cells(rgb: U8) -> Bool:
    """Cells below the staff in red ink: rubrics, and what bleeds into them; shape of the maps."""
    red = np.zeros((rgb.shape[0] // STRIDE, rgb.shape[1] // STRIDE), dtype=np.bool_)
    first = _first_row() * STRIDE
    soft = cv2.blur(rgb[first - 1 :], (3, 3))[1::STRIDE, ::STRIDE].astype(np.int16)
    red[_first_row() :] = soft[..., 0] - (soft[..., 1] + soft[..., 2]) / 2 > _RED
    return red


def _page_box(strip: Strip, top: int, left: int, bottom: int, right: int) -> Box:
    """Box on the page of half-open cells of the strip."""
    rows = strip.page_rows[top * STRIDE : bottom * STRIDE, left * STRIDE : right * STRIDE]
    cols = strip.page_cols[top * STRIDE : bottom * STRIDE, left * STRIDE : right * STRIDE]
    edges = [max(0, round(float(edge))) for edge in (rows.min(), cols.min(), rows.max(), cols.max())]
    return Box(edges[0], edges[1], edges[2] + 1, edges[3] + 1)
