"""Staff to strip: each staff pulled straight, at the scale the network knows.

In a strip every staff line is level, neighbouring lines lie exactly
`STRIP_SPACE` pixels apart and the bottom line always lies on `BOTTOM_ROW`,
whatever the photograph did to them. So a row of the strip *is* a step, and hands,
resolutions and page curl look alike to the network.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import cv2
import numpy as np

from neumary.types import F32, U8, InkMap, Staff, Strip

STRIP_SPACE: Final = 16
"""Strip pixels per staff space."""
SPACES_BELOW: Final = 3.5
"""Staff spaces kept below the bottom line."""
SPACES_ABOVE: Final = 7.5
"""Staff spaces kept above the bottom line: 4.5 over the top of 4 lines, 3.5 over 5."""
MARGIN_SPACES: Final = 2.5
"""Kept left of the lines' ends, where clefs may stand."""
MARGIN_RIGHT_SPACES: Final = 3.5
"""Kept right of them: custodes stand out in the margin. With a space more than on the left 22 custodes of
120 drawn pages were missed and 8 made up, without it 28 and 11."""
STRIP_HEIGHT: Final = int((SPACES_BELOW + SPACES_ABOVE) * STRIP_SPACE)
BOTTOM_ROW: Final = SPACES_ABOVE * STRIP_SPACE
"""Strip row of the bottom line (pixel centre)."""
_WIDTH_MULTIPLE: Final = 16  # the network halves the strip four times


def line_rows(places: Iterable[int]) -> tuple[float, ...]:
    """Strip rows of lines that lie so many spaces above the bottom line (`Staff.places`)."""
    return tuple(BOTTOM_ROW - place * STRIP_SPACE for place in places)


def step_of_row(row: float) -> float:
    """Fractional step of a strip row."""
    return 2 * (BOTTOM_ROW - row) / STRIP_SPACE


def cut_strip(ink: InkMap, staff: Staff) -> Strip:
    """Pull one staff straight.

    Parameters
    ----------
    ink : InkMap
        Flattened leaf at working scale.
    staff : Staff
        At least one line.

    Returns
    -------
    Strip
        Height `STRIP_HEIGHT`; width a multiple of 16. Outside the leaf: parchment (255).

    Raises
    ------
    ValueError
        If the staff has no lines.
    """
    page_rows, page_cols = _sampling_grid(staff)
    rgb = _sample(ink, page_rows, page_cols, staff.space_px / STRIP_SPACE)
    return Strip(
        staff=staff,
        rgb=rgb,
        line_rows=line_rows(staff.places),
        space=float(STRIP_SPACE),
        page_rows=page_rows,
        page_cols=page_cols,
    )


def _sampling_grid(staff: Staff) -> tuple[F32, F32]:
    if not staff.lines:
        raise ValueError(f"staff {staff.id} has no lines, so no strip can be cut")
    margin = MARGIN_SPACES * staff.space_px
    left = min(line.cols[0] for line in staff.lines) - margin
    right = max(line.cols[-1] for line in staff.lines) + MARGIN_RIGHT_SPACES * staff.space_px
    pitch = staff.space_px / STRIP_SPACE
    width = max(1, int(np.ceil((right - left) / pitch / _WIDTH_MULTIPLE))) * _WIDTH_MULTIPLE
    cols = left + np.arange(width) * pitch
    rows = np.stack([np.interp(cols, line.cols, line.rows) for line in staff.lines])
    places = np.asarray(staff.places, dtype=np.float64)
    one = (rows[0] - rows[-1]) / places[-1] if len(rows) > 1 else np.full(width, staff.space_px)
    rows = np.concatenate([[rows[0] + one], rows, [rows[-1] - one]])
    places = np.concatenate([[places[0] - 1], places, [places[-1] + 1]])
    wanted = (BOTTOM_ROW - np.arange(STRIP_HEIGHT)) / STRIP_SPACE  # spaces above the bottom line
    low = np.clip(np.searchsorted(places, wanted, side="right") - 1, 0, len(places) - 2)
    share = ((wanted - places[low]) / (places[low + 1] - places[low]))[:, None]
    grid = (rows[low] + share * (rows[low + 1] - rows[low])).astype(np.float32)
    return grid, np.broadcast_to(cols.astype(np.float32), grid.shape).copy()


def _sample(ink: InkMap, page_rows: F32, page_cols: F32, pitch_px: float) -> U8:
    rows = (page_rows + 0.5) * ink.scale - 0.5
    cols = (page_cols + 0.5) * ink.scale - 0.5
    height, width = ink.flat.shape[:2]
    top, bottom = _clip(rows, height)
    left, right = _clip(cols, width)
    patch = ink.flat[top:bottom, left:right]
    if not patch.size:
        return np.full((*page_rows.shape, 3), 255, dtype=np.uint8)
    rows, cols = rows - top, cols - left
    shrink = pitch_px * ink.scale  # working pixels per strip pixel
    if shrink > 1.3:  # remap alone would alias
        size = (max(1, round(patch.shape[1] / shrink)), max(1, round(patch.shape[0] / shrink)))
        fx, fy = size[0] / patch.shape[1], size[1] / patch.shape[0]
        patch = np.asarray(cv2.resize(patch, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        rows, cols = (rows + 0.5) * fy - 0.5, (cols + 0.5) * fx - 0.5
    out = cv2.remap(
        patch,
        cols.astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(255, 255, 255),
    )
    return np.asarray(out, dtype=np.uint8)


def _clip(coords: F32, size: int) -> tuple[int, int]:
    low = int(np.clip(np.floor(coords.min()) - 2, 0, size))
    high = int(np.clip(np.ceil(coords.max()) + 3, 0, size))
    return low, max(low, high)
