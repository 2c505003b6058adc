"""Whether the staff lines of a page are ink at all, or only thought into rows of neumes.

Neumes that keep to a grid can make the leaf network see lines where none were ruled. A line that
was drawn swallows more light than the parchment just above and below it nearly everywhere between
the notes; a line thought into bare parchment does so in half of the places, as noise does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from neumary.leaf_map import LeafMap
from neumary.lines import Floats
from neumary.types import F32, InkMap, Remark, Staff, StaffLine

NOT_DRAWN: Final = Remark(
    code="no-staves",
    text="No staff lines were found on this page: what looked like lines is not ink. If lines are there, "
    "say how many (--lines).",
)
"""What is said of a page whose lines are none."""
_SAMPLES: Final = 200  # of each line
_BESIDE_SPACES: Final = 0.28  # how far above and below a line parchment is looked at
_LEAST_BESIDE_PX: Final = 3
_COVERED: Final = 90.0  # grey levels: from here something is written beside the line
_LEAST_BARE: Final = 10  # samples without writing that tell anything
# Grey levels a page's lines swallow more than what lies beside them, median of its staves: on 110 rendered
# pages 14 and more where lines are drawn, but 7.5 and 11 on two very pale ones; 9 to 11 where the network
# took a grid for lines, and far more where it took ruling or text for lines, which this cannot tell.
_CONTRAST_EVEN: Final = 10.5
_CONTRAST_SLOPE: Final = 0.6
_LINES_SEEN: Final = 0.58
"""Between what the network says of lines thought into a grid and of drawn ones; see `line_p`."""


def drawn_p(ink: InkMap, staves: Sequence[Staff]) -> float:
    """Probability that the lines of a page's staves were drawn.

    Parameters
    ----------
    ink : InkMap
    staves : sequence of Staff
        All of a page.

    Returns
    -------
    float
        1 where too little parchment is bare to tell.
    """
    told = [contrast for staff in staves if (contrast := line_contrast(ink, staff)) is not None]
    if not told:
        return 1.0
    return 1 / (1 + math.exp(-_CONTRAST_SLOPE * (float(np.median(told)) - _CONTRAST_EVEN)))


def only_thought(ink: InkMap, seen: LeafMap, staves: Sequence[Staff], drawn: float) -> bool:
    """Whether a page's lines are none: neither their ink nor the leaf network speaks for them.

    Parchment photographed dark leaves little light for lines to swallow, so a faint contrast alone
    does not throw away staves along whose lines the network sees lines.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
        In which the staves were found.
    staves : sequence of Staff
    drawn : float
        From `drawn_p`.
    """
    return drawn < 0.5 and line_p(ink, seen, staves) < _LINES_SEEN


def line_contrast(ink: InkMap, staff: Staff) -> float | None:
    """Grey levels the lines of a staff swallow more than the parchment beside them, mean of its lines.

    Parameters
    ----------
    ink : InkMap
    staff : Staff
    """
    each = [_contrast(ink, line, staff.space_px) for line in staff.lines]
    told = [contrast for contrast in each if contrast is not None]
    return float(np.mean(told)) if told else None


def line_p(ink: InkMap, seen: LeafMap, staves: Sequence[Staff]) -> float:
    """Probability of a line that the leaf network sees along the lines, median of a page's lines.

    On drawn lines mostly 0.7 and more; about a half where a grid was thought into rows of neumes,
    and where staves were found badly.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
        In which the staves were found.
    staves : sequence of Staff
    """
    means = [p for staff in staves for p in lines_p(ink, seen, staff)]
    return float(np.median(means)) if means else 1.0


def lines_p(ink: InkMap, seen: LeafMap, staff: Staff) -> list[float]:
    """The same of each line of a staff, bottom line first."""
    return [float(along_line(ink, seen, seen.line, line).mean()) for line in staff.lines]


def along_line(
    ink: InkMap, seen: LeafMap, cells: npt.NDArray[Any], line: StaffLine, down_px: float = 0.0
) -> npt.NDArray[Any]:
    """What a map of the leaf holds along a line, or at a distance under it.

    Parameters
    ----------
    ink : InkMap
    seen : LeafMap
        A look at it.
    cells : ndarray, shape (h, w)
        One of the look's maps, or made of them.
    line : StaffLine
    down_px : float
        Page pixels.

    Returns
    -------
    ndarray, shape (200,)
        Values of the nearest cells, evenly along the line.
    """
    cols, rows = _places(line)
    at = [
        np.clip(np.rint((place + 0.5) * ink.scale / cell - 0.5).astype(int), 0, side - 1)
        for place, cell, side in zip((rows + down_px, cols), seen.cell_px, cells.shape, strict=True)
    ]
    return np.asarray(cells[at[0], at[1]])


def _places(line: StaffLine) -> tuple[Floats, Floats]:
    """Columns evenly along a line, and its rows there."""
    cols = np.linspace(line.cols[0], line.cols[-1], _SAMPLES)
    return cols, np.interp(cols, line.cols, line.rows)


def _contrast(ink: InkMap, line: StaffLine, space_px: float) -> float | None:
    cols, rows = _places(line)
    row = np.rint((rows + 0.5) * ink.scale - 0.5).astype(int)
    height, width = ink.flat.shape[:2]
    col = np.clip(np.rint((cols + 0.5) * ink.scale - 0.5).astype(int), 0, width - 1)
    away = max(_LEAST_BESIDE_PX, round(_BESIDE_SPACES * space_px * ink.scale))

    def strongest(shift: int) -> F32:
        near = np.clip(row + shift + np.arange(-1, 2)[:, None], 0, height - 1)
        swallowed = 255.0 - ink.flat[near, col].min(axis=2)  # by the darkest channel, only where asked
        return np.asarray(swallowed.max(axis=0), dtype=np.float32)

    on, above, below = strongest(0), strongest(-away), strongest(away)
    bare = (above < _COVERED) & (below < _COVERED)
    if int(bare.sum()) <= _LEAST_BARE:
        return None
    return float(np.median((on - (above + below) / 2)[bare]))
