"""How far a staff line can be traced on a page that paint partly covers."""

from __future__ import annotations

from collections import defaultdict
from typing import Final

import numpy as np

from neumary_synth.sheets import U8, FlatPage
from neumary_synth.warp import F64

_CLEAR_SPACES: Final = 0.75  # a line begins and ends with at least so much of it free of paint
_STUB_SPACES: Final = 2.0  # a shorter end beyond paint, with no sign on it, is nothing of the staff's
_PAINT_SPACES: Final = 0.4  # paint narrower than this parts no end from a line
_NEAR_SPACES: Final = 0.75  # a sign so near to an end stands on it


def sign_cols(flat: FlatPage, hidden: U8) -> dict[int, F64]:
    """Columns of the signs that paint leaves free, by number of their staff.

    Parameters
    ----------
    flat : FlatPage
    hidden : ndarray of uint8, shape (flat rows, flat cols)
        Where the flat page's ink is hidden by paint or gone with the leaf.
    """
    found: dict[int, list[float]] = defaultdict(list)
    for sign in flat.signs:
        row, col = round(sign.drawn.row), round(sign.drawn.col)
        inside = 0 <= row < hidden.shape[0] and 0 <= col < hidden.shape[1]
        if inside and hidden[row, col] <= 127:
            found[sign.staff].append(sign.drawn.col)
    return {staff: np.array(cols, dtype=np.float64) for staff, cols in found.items()}


def traceable_part(
    hidden: U8, cols: F64, rows: F64, space_px: float, signs: F64 | None = None
) -> tuple[F64, F64]:
    """The part of a line that can be traced, gaps within it bridged.

    It begins and ends with a stretch free of paint. A short one at the line's very end, cut off by paint
    and without a sign, as within the bowl of an initial, is left out.

    Parameters
    ----------
    hidden : ndarray of uint8, shape (flat rows, flat cols)
    cols, rows : ndarray of float64, shape (n,)
        The line; columns rise.
    space_px : float
        Staff space.
    signs : ndarray of float64, optional
        Columns of the signs of its staff that can be seen.

    Returns
    -------
    ndarray of float64, shape (k,)
        Columns; empty where paint covers all.
    ndarray of float64, shape (k,)
        Rows.
    """
    at = np.arange(cols[0], cols[-1] + 1e-6, 1.0)
    on = np.clip(np.round(np.interp(at, cols, rows)).astype(int), 0, hidden.shape[0] - 1)
    free = hidden[on, np.clip(np.round(at).astype(int), 0, hidden.shape[1] - 1)] <= 127
    if free.all():
        return cols, rows
    steps = np.flatnonzero(np.diff(np.pad(free.astype(np.int8), 1)))
    least = max(int(_CLEAR_SPACES * space_px), 2)
    runs = [(a, b) for a, b in zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True) if b - a >= least]
    there = np.empty(0) if signs is None else signs - at[0]
    while len(runs) > 1 and _is_stub(runs[0], runs[1][0] - runs[0][1], space_px, there):
        runs = runs[1:]
    while len(runs) > 1 and _is_stub(runs[-1], runs[-1][0] - runs[-2][1], space_px, there):
        runs = runs[:-1]
    if not runs:
        return cols[:0], rows[:0]
    start, stop = at[runs[0][0]], at[runs[-1][1] - 1]
    inner = cols[(cols > start) & (cols < stop)]
    kept = np.concatenate([[start], inner, [stop]])
    return kept, np.interp(kept, cols, rows)


def _is_stub(run: tuple[int, int], paint: int, space_px: float, signs: F64) -> bool:
    near = _NEAR_SPACES * space_px
    signed = bool(((signs > run[0] - near) & (signs < run[1] + near)).any())
    return run[1] - run[0] < _STUB_SPACES * space_px and paint >= _PAINT_SPACES * space_px and not signed
