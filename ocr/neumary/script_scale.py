"""The size of a page by its script, where no staves tell it.

A leaf without staves was seen at whatever size its ruling, or the size of the photograph, seemed to
tell, and that may be off by a factor of six. The small letters of its words tell the size of
staves and neumes within a third.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from neumary.ink import map_ink, mapped_for
from neumary.inked_lines import along_line, line_p
from neumary.leaf_map import LeafMap, look
from neumary.piece_heights import piece_height_of_page_px
from neumary.types import F32, InkMap, Scan, Staff
from neumary_models.leaf_outputs import LEAF_SPACE, REGIONS, STRIDE
from neumary_models.zoo import LoadedModel

_SPACE_PER_PIECE: Final = 1.1  # staff space against the commonest height of a piece of ink
_SAME_SIZE: Final = 0.1  # logarithm of two sizes
# Of a page's cells; rendered pages of words alone have up to 0.001, those with notes from 0.008 on.
_NOTES_SHARE: Final = 0.003
# Of 110 rendered pages with one line in a staff all but three had notes off the staves on 0.0024 of their
# cells at most; those had free signs on 0.0012, or saw their lines with 0.81. On three of free signs over
# ruled words notes off the staves were 0.005 to 0.0073 and free signs 0.0025 and more; words stood under 0.61
# of the lines of one, and the other two saw their lines with 0.54 and 0.65.
_WORDS_UNDER: Final = 0.45
_NOTES_OFF: Final = 0.004
_FREE_SIGNS: Final = 0.002
_LINES_DOUBTED: Final = 0.7
# Of 45 rendered pages of single lines all saw them with 0.69 and more at last; on two of signs over ruled
# words the ruling had 0.54 and 0.60.
_NO_LINES: Final = 0.62
_REACH_SPACES: Final = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
# Of the length of single lines, median of a page: with words or notes beside them 0.67 and more, where nobody
# wrote on the ruling 0.03.
_WRITTEN_ON: Final = 0.3
_UNDER_SPACES: Final = 0.5  # how far under a line the words ruled by it have their upper halves


def has_notes(seen: LeafMap) -> bool:
    """Whether the leaf network sees notes or staffless signs anywhere."""
    return seen.share_of("music") + seen.share_of("free-sign") >= _NOTES_SHARE


def notes_p(seen: LeafMap) -> F32:
    """Probability of notes or staffless signs, cell by cell; shape (h, w)."""
    music, free = (seen.region[REGIONS.index(name)] for name in ("music", "free-sign"))
    return np.asarray(np.maximum(music, free), dtype=np.float32)


def notes_outside(seen: LeafMap, ink: InkMap, staves: Sequence[Staff]) -> float:
    """Share of a page's cells that hold notes or staffless signs and lie on none of its staves.

    Parameters
    ----------
    seen : LeafMap
    ink : InkMap
        Of which `seen` is a look.
    staves : sequence of Staff
        With their areas.
    """
    notes = notes_p(seen) > 0.5
    for staff in staves:
        high, wide = (ink.scale / side for side in seen.cell_px)
        area = staff.area
        rows = slice(int(area.top * high), int(area.bottom * high) + 1)
        notes[rows, int(area.left * wide) : int(area.right * wide) + 1] = False
    return float(notes.mean())


def words_under(seen: LeafMap, ink: InkMap, staves: Sequence[Staff]) -> float:
    """Share of their length that single lines have text just under them, as the ruling of words has.

    Parameters
    ----------
    seen : LeafMap
    ink : InkMap
        Of which `seen` is a look.
    staves : sequence of Staff

    Returns
    -------
    float
        Median of the staves; 0 where one has more lines.
    """
    text = seen.region[REGIONS.index("text")] > 0.5
    shares = []
    for staff in staves:
        if len(staff.lines) > 1:
            return 0.0
        under = along_line(ink, seen, text, staff.lines[0], _UNDER_SPACES * staff.space_px)
        shares.append(float(under.mean()))
    return float(np.median(shares)) if shares else 0.0


def under_words(seen: LeafMap, ink: InkMap, staves: Sequence[Staff]) -> bool:
    """Whether what passes for staves of one line is the ruling of words, whose notes stand elsewhere.

    So it is wherever the map hardly takes the lines for such a staff's.

    Parameters
    ----------
    seen : LeafMap
    ink : InkMap
        Of which `seen` is a look.
    staves : sequence of Staff
        All of a page, with their areas.
    """
    if not _single(staves):
        return False
    lines = line_p(ink, seen, staves)
    if lines < _NO_LINES:
        return True
    if seen.share_of("free-sign") < _FREE_SIGNS:
        return False
    ruled = words_under(seen, ink, staves) > _WORDS_UNDER or lines < _LINES_DOUBTED
    return ruled and notes_outside(seen, ink, staves) > _NOTES_OFF


def never_written_on(seen: LeafMap, ink: InkMap, staves: Sequence[Staff]) -> bool:
    """Whether nothing stands on or beside what passes for staves of one line: ruling left empty.

    Parameters
    ----------
    seen : LeafMap
    ink : InkMap
        Of which `seen` is a look.
    staves : sequence of Staff
        All of a page.
    """
    if not _single(staves):
        return False
    written = np.maximum(notes_p(seen), seen.region[REGIONS.index("text")]) > 0.5
    shares = []
    for staff in staves:
        near = [along_line(ink, seen, written, staff.lines[0], d * staff.space_px) for d in _REACH_SPACES]
        shares.append(float(np.maximum.reduce(near).mean()))
    return float(np.median(shares)) < _WRITTEN_ON


def _single(staves: Sequence[Staff]) -> bool:
    return bool(staves) and all(len(staff.lines) == 1 for staff in staves)


def look_by_script(
    scan: Scan, ink: InkMap, seen: LeafMap, finder: LoadedModel
) -> tuple[InkMap, LeafMap] | None:
    """The leaf at the size its script tells.

    Parameters
    ----------
    scan : Scan
    ink : InkMap
        Handed back where its scale suits that size.
    seen : LeafMap
        As the leaf was seen before.
    finder : LoadedModel
        The leaf network.

    Returns
    -------
    (InkMap, LeafMap) or None
        None where the script tells nothing, or the size the leaf was seen at before.
    """
    space = _SPACE_PER_PIECE * piece_height_of_page_px(scan.rgb)
    before = seen.cell_px[0] * LEAF_SPACE / STRIDE / ink.scale
    if not space or abs(math.log(before / space)) < _SAME_SIZE:
        return None
    leaf = ink if mapped_for(ink, space) else map_ink(scan, space)
    return leaf, look(leaf, space * leaf.scale, finder)
