"""The overlay's scale, and its colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary.types import Box, Page

Colour = tuple[int, int, int]

# M. Okabe and K. Ito, "Color Universal Design", 2008, https://jfly.uni-koeln.de/color/
SKY: Final[Colour] = (86, 180, 233)
BLUE: Final[Colour] = (0, 114, 178)
GREEN: Final[Colour] = (0, 158, 115)
VERMILLION: Final[Colour] = (213, 94, 0)
PURPLE: Final[Colour] = (204, 121, 167)
BLACK: Final[Colour] = (0, 0, 0)

_LONG_SIDE_PX: Final = 2200  # larger scans are drawn smaller, so that the file stays small
_LONGEST_SIDE_PX: Final = 4200  # ... but never larger than this when enlarged for legibility
_SPACE_PX: Final = 24.0  # a staff space keeps at least this, or the letters cannot be read
_LETTER_SPACES: Final = 0.62  # size of letters in staff spaces
_LETTER_PX: Final = (13, 34)  # and their bounds


@dataclass(frozen=True, slots=True)
class View:
    """Where original pixels fall on the overlay."""

    scale: float
    top: int  # px of the header strip
    letter_px: int
    pen_px: int

    def point(self, row: float, col: float) -> tuple[float, float]:
        """Overlay (row, col) of an original point."""
        return (row + 0.5) * self.scale - 0.5 + self.top, (col + 0.5) * self.scale - 0.5

    def box(self, box: Box, grow_px: float = 0.0) -> tuple[float, float, float, float]:
        """Overlay edges (top, left, bottom, right) of a half-open box."""
        top, left = self.point(box.top - 0.5, box.left - 0.5)
        bottom, right = self.point(box.bottom - 0.5, box.right - 0.5)
        return top - grow_px, left - grow_px, bottom + grow_px, right + grow_px


def view_of(page: Page) -> View:
    """Choose the scale."""
    long_side = max(page.height, page.width, 1)
    spaces = [staff.space_px for staff in page.staves if staff.space_px > 0]
    space = float(np.median(spaces)) if spaces else _SPACE_PX
    scale = min(1.0, _LONG_SIDE_PX / long_side)
    if space * scale < _SPACE_PX:
        scale = min(_SPACE_PX / space, max(1.0, _LONGEST_SIDE_PX / long_side), 4.0)
    size = size_of(page, scale)
    letter = round(min(max(_LETTER_SPACES * space * scale, _LETTER_PX[0]), _LETTER_PX[1]))
    strip = round(max(22.0, min(size) * 0.016) * 1.7)
    return View(scale, strip, letter, 1 if space * scale < 40 else 2)


def size_of(page: Page, scale: float) -> tuple[int, int]:
    """Width and height (px) of the scan on the overlay."""
    return max(1, round(page.width * scale)), max(1, round(page.height * scale))
