"""Staves on a bent line and pictures of them."""

from __future__ import annotations

import cv2
import numpy as np

from neumary.types import Box, InkMap, Staff, StaffLine


def bent_staff(space: float, n_lines: int, width: int = 640, bow: float = 20.0) -> Staff:
    cols = np.linspace(60, width - 60, 40)
    bend = bow * np.sin(cols / width * np.pi)
    lines = tuple(
        StaffLine(
            cols=tuple(cols),
            rows=tuple(250 + bend - k * space),
            thickness_px=2,
            colour="red",
            seen=1.0,
        )
        for k in range(n_lines)
    )
    return Staff(id="s01", column=0, lines=lines, space_px=space, area=Box(0, 0, 10, 10))


def drawn(staff: Staff, shape: tuple[int, int] = (400, 640), thickness: int = 2) -> np.ndarray:
    page = np.full((*shape, 3), 255, np.uint8)
    for line in staff.lines:
        points = np.stack([line.cols, line.rows], 1)
        cv2.polylines(
            page, [np.round(points * 16).astype(np.int32)], False, (200, 60, 50), thickness, cv2.LINE_AA, 4
        )
    return page


def ink_map(page: np.ndarray, scale: float = 1.0) -> InkMap:
    nothing = np.zeros(page.shape[:2], np.uint8)
    return InkMap(page_id="p", flat=page, dark=nothing, coloured=nothing, scale=scale)
