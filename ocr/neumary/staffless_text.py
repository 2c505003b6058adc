"""The words under rows of staffless signs: boxes of what the network calls text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from neumary.staffless_look import FreeLook
from neumary.types import Box, Staff, Syllable
from neumary_models.staffless_outputs import STRIDE

_GAP_SIZES: Final = 0.3  # white that parts words, in virgae
_LEAST_SIZES: Final = 0.3  # letters are at least so high
_MOST_SIZES: Final = 3.0  # what is higher is an initial
_BELOW_SIZES: Final = 3.0  # words stand within this of the foot of their signs
_ALONG_SIZES: Final = 3.0  # and so far beyond the ends of the row


def words_under(staves: Sequence[Staff], look: FreeLook) -> list[Syllable]:
    """Find the words, or parts of words, written under rows of signs.

    Parameters
    ----------
    staves : sequence of Staff
        Without lines, in reading order.
    look : FreeLook

    Returns
    -------
    list of Syllable
        Row by row, left to right, without ids and text.
    """
    size = look.size_px / STRIDE
    wide = np.ones((1, max(1, round(_GAP_SIZES * size))), np.uint8)
    joined = cv2.morphologyEx(look.text.astype(np.uint8), cv2.MORPH_CLOSE, wide)
    _, _, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    unit = STRIDE / look.scale
    words: list[tuple[int, int, Syllable]] = []
    for left, top, width, height, area in stats[1:].tolist():
        if not _LEAST_SIZES * size <= height <= _MOST_SIZES * size or area < 0.2 * size**2:
            continue
        edges = [round(edge * unit) for edge in (top, left, top + height, left + width)]
        box = Box(*edges)
        n = _row_over(staves, box)
        if n is not None:
            words.append((n, box.left, Syllable(id="", staff=staves[n].id, box=box)))
    return [word for *_, word in sorted(words, key=lambda word: word[:2])]


def _row_over(staves: Sequence[Staff], box: Box) -> int | None:
    """Index of the row of signs that stands over a word, the nearest one."""
    best: tuple[float, int] | None = None
    for n, staff in enumerate(staves):
        reach = _ALONG_SIZES * staff.space_px
        if box.right < staff.area.left - reach or box.left > staff.area.right + reach:
            continue
        middle = (staff.area.top + staff.area.bottom) / 2
        away = (box.top + box.bottom) / 2 - middle
        if away > 0 and box.top - staff.area.bottom < _BELOW_SIZES * staff.space_px:
            best = min(best, (away, n)) if best else (away, n)
    return best[1] if best else None
