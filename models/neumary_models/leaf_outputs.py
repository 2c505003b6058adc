"""Layout of the leaf network's channels, without torch.

The leaf network looks at a whole page at `LEAF_SPACE` pixels a staff space and says for each
cell of half that resolution whether it lies on a staff, where that staff's outer lines run,
and what else stands there. The cell (i, j) has its centre at input row 2i + 0.5, column
2j + 0.5.
"""

from __future__ import annotations

from typing import Final

LEAF_SPACE: Final = 6.0
"""Input pixels per staff space the network is meant for; it is trained from 4 to 9."""
STRIDE: Final = 2
CHANNELS_IN: Final = 3
"""Ink strength of red, green and blue (0 parchment .. 1 black)."""

ZONES: Final = ("none", "staff", "few-lines")
"""What a cell lies on: no staff, a staff of three to five lines, one or two lines."""
REGIONS: Final = ("text", "decoration", "free-sign", "music")
"""Not exclusive; "free-sign" is a sign without lines, "music" a sign on a staff."""
BAND_SPACES: Final = {1: 0.5, 2: 1.0}
"""How far a zone reaches beyond the outer lines: of full staves, and of few lines."""
REACH_SCALE: Final = 4.0
"""Cells per unit of the distances `UP` and `DOWN`."""

ZONE: Final = slice(0, len(ZONES))
LINE: Final = slice(ZONE.stop, ZONE.stop + 1)
"""On a staff line."""
UP: Final = slice(LINE.stop, LINE.stop + 1)
"""Distance from the cell's centre up to the staff's top line (negative above it)."""
DOWN: Final = slice(UP.stop, UP.stop + 1)
"""Distance from the cell's centre down to the staff's bottom line (negative below it)."""
SPACE: Final = slice(DOWN.stop, DOWN.stop + 1)
"""Natural logarithm of the staff's space over `LEAF_SPACE`."""
REGION: Final = slice(SPACE.stop, SPACE.stop + len(REGIONS))
CHANNELS_OUT: Final = REGION.stop
