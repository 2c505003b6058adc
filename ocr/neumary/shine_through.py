"""Staves of the leaf's other side that shine through where words alone stand on this one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.inked_lines import line_contrast
from neumary.leaf_map import LeafMap
from neumary.types import U8, InkMap, Staff
from neumary_models.leaf_outputs import REGIONS

_SURE: Final = 0.5
_LEAST_WORDS: Final = 60  # cells of the map; fewer tell nothing of how dark this side's ink is
_WRITTEN_ON: Final = 0.04  # share of a staff's cells on which the map sees music
_PALE: Final = 0.42
"""Of the words' ink. On 40 rendered pages with music the darkest hundredth of the middle staff had 0.51 and
more; on a page of words over another side's staves it had less than 0.36."""
_PALE_LINES: Final = 0.06
"""The same of the lines: on pages with strong ghosts 0.1 and more, those of the ghosts 0.02."""


def shines_through(seen: LeafMap, ink: InkMap, staves: Sequence[Staff]) -> bool:
    """Whether what is written on a page's staves is much paler than its words, and their lines are, too.

    Parameters
    ----------
    seen : LeafMap
        A look at the leaf.
    ink : InkMap
        Of which it is one.
    staves : sequence of Staff
        All of a page.

    Returns
    -------
    bool
        False where no words tell how dark this side's ink is, and where the staves are empty.
    """
    if not _mostly_ghosts(seen, ink, staves, 255.0):  # not even beside the blackest words, as on most pages
        return False
    words = _strength_at(seen, ink, seen.region[REGIONS.index("text")] > _SURE)
    if len(words) < _LEAST_WORDS:
        return False
    return _mostly_ghosts(seen, ink, staves, float(np.percentile(words, 95)))


def _mostly_ghosts(seen: LeafMap, ink: InkMap, staves: Sequence[Staff], full: float) -> bool:
    return sum(_is_ghost(seen, ink, staff, full) for staff in staves) > len(staves) / 2


def _strength_at(seen: LeafMap, ink: InkMap, cells: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> U8:
    """Ink strength, 0..255, at the darkest pixel of each of some cells."""
    high, wide = seen.cell_px
    found = []
    for row, col in np.argwhere(cells):
        top, left = int(row * high), int(col * wide)
        part = ink.flat[top : int((row + 1) * high) + 1, left : int((col + 1) * wide) + 1]
        if part.size:
            found.append(255 - part.mean(axis=2).min())
    return np.asarray(found, dtype=np.uint8)


def _is_ghost(seen: LeafMap, ink: InkMap, staff: Staff, full: float) -> bool:
    tall, wide = ink.flat.shape[:2]
    rows = [row * ink.scale for line in staff.lines for row in line.rows]
    cols = [col * ink.scale for line in staff.lines for col in (line.cols[0], line.cols[-1])]
    top, bottom = max(int(min(rows)), 0), min(int(max(rows)) + 1, tall)
    left, right = max(int(min(cols)), 0), min(int(max(cols)) + 1, wide)
    band = 255.0 - ink.flat[top:bottom, left:right].mean(axis=2)
    if not band.size or np.percentile(band, 99) >= _PALE * full:
        return False
    high, broad = seen.cell_px
    music = seen.region[REGIONS.index("music")]
    cells = music[int(top / high) : int(bottom / high) + 1, int(left / broad) : int(right / broad) + 1]
    written = bool(cells.size) and float((cells > _SURE).mean()) >= _WRITTEN_ON
    contrast = line_contrast(ink, staff)
    return written and contrast is not None and contrast < _PALE_LINES * full
