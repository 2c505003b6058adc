"""Small pictures of the places where a reading went wrong."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from neumary.mistakes import Mistake
from neumary.types import U8

SPACE_PX: Final = 22
"""Pixels per staff space in a crop: a head of 1 space is then easily told by eye."""
HALF_HEIGHT_SPACES: Final = 3.6
HALF_WIDTH_SPACES: Final = 2.8
_MARK: Final = (213, 94, 0)  # vermillion of the Okabe-Ito palette
_PAPER: Final = 255
_CAPTION_ROWS: Final = 30


def cut_crop(rgb: U8, mistake: Mistake) -> U8:
    """Cut out a mistake's surroundings, ticks on all four sides pointing at it.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
        The page, upright.
    mistake : Mistake

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        Always the same size; white where the page ends.
    """
    half = np.array([HALF_HEIGHT_SPACES, HALF_WIDTH_SPACES])
    rows, cols = (2 * half * SPACE_PX).round().astype(int)
    scale = SPACE_PX / mistake.space_px
    shift = np.array(
        [
            [scale, 0, cols / 2 - scale * mistake.col],
            [0, scale, rows / 2 - scale * mistake.row],
        ]
    )
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    top, left = (np.array([mistake.row, mistake.col]) - (half + 1) * mistake.space_px).astype(int).clip(0)
    bottom, right = (np.array([mistake.row, mistake.col]) + (half + 1) * mistake.space_px).astype(int)
    patch: cv2.typing.MatLike = np.ascontiguousarray(
        rgb[top : max(bottom, top + 1), left : max(right, left + 1)]
    )
    if not patch.size:
        return np.full((rows, cols, 3), _PAPER, dtype=np.uint8)
    if scale < 1:
        patch = cv2.GaussianBlur(patch, (0, 0), 0.4 / scale)
    shift[:, 2] += scale * np.array([left, top])
    white = (_PAPER, _PAPER, _PAPER)
    crop = cv2.warpAffine(patch, shift, (int(cols), int(rows)), flags=way, borderValue=white)
    _point_at_middle(crop)
    return np.asarray(crop, dtype=np.uint8)


def _point_at_middle(crop: cv2.typing.MatLike) -> None:
    rows, cols = crop.shape[:2]
    tick = SPACE_PX // 2
    for start, end in (
        ((cols // 2, 0), (cols // 2, tick)),
        ((cols // 2, rows - 1), (cols // 2, rows - 1 - tick)),
        ((0, rows // 2), (tick, rows // 2)),
        ((cols - 1, rows // 2), (cols - 1 - tick, rows // 2)),
    ):
        cv2.line(crop, start, end, _MARK, 2, cv2.LINE_AA)


def describe(mistake: Mistake) -> str:
    """Say in a few words what was there and what was read."""
    true = _sign(mistake.true, mistake.true_step)
    read = _sign(mistake.read, mistake.read_step)
    if mistake.sort == "missed":
        return f"{true} missed"
    if mistake.sort == "spurious":
        return f"nothing there, read as {read}"
    if mistake.sort == "pitch":
        return f"{true}: pitch wrong through the {mistake.cause}"
    return f"{true} read as {read}"


def _sign(label: str, step: int | None) -> str:
    name = label.replace("_", " ")
    return f"{name} {step}" if step is not None else name


def make_sheet(shown: Sequence[tuple[U8, str, str]], columns: int = 10) -> U8:
    """Put crops with two lines of caption each onto one picture.

    Parameters
    ----------
    shown : sequence of (crop, caption, caption)
    columns : int

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        White and one tile large where there is nothing to show.
    """
    height = round(2 * HALF_HEIGHT_SPACES * SPACE_PX) + _CAPTION_ROWS
    width = round(2 * HALF_WIDTH_SPACES * SPACE_PX) + 4
    n_rows = max(1, -(-len(shown) // columns))
    sheet = np.full((n_rows * height, min(columns, max(1, len(shown))) * width, 3), _PAPER, dtype=np.uint8)
    for number, (crop, first, second) in enumerate(shown):
        top, left = number // columns * height, number % columns * width
        sheet[top : top + crop.shape[0], left : left + crop.shape[1]] = crop
        for line, text in enumerate((first, second)):
            place = (left + 1, top + crop.shape[0] + 11 + 13 * line)
            cv2.putText(sheet, text[:22], place, cv2.FONT_HERSHEY_SIMPLEX, 0.34, (0, 0, 0), 1, cv2.LINE_AA)
    return sheet
