"""Layout of the network's input and output channels, without torch.

Output maps have half the strip's resolution: the cell (i, j) covers strip pixels
2i..2i+1, 2j..2j+1 and has its centre at strip row 2i + 0.5, column 2j + 0.5.
"""

from __future__ import annotations

from typing import Final

from neumary_models.labels import LABELS, LAYERS

STRIDE: Final = 2
CHANNELS_IN: Final = 5
"""Ink strength of red, green and blue (0 parchment .. 1 black), ink without staff lines, line positions."""

STEP_SHIFTS: Final = (-3, -2, -1, 0, 1, 2, 3)
"""Meant step minus the step of the cell's own centre, rounded: what the hand's habits did."""

HEAT: Final = slice(0, 1)
LABEL: Final = slice(1, 1 + len(LABELS))
OFFSET: Final = slice(LABEL.stop, LABEL.stop + 2)
"""(row, col) from the cell's centre to the sign's centre, in cells."""
SHIFT: Final = slice(OFFSET.stop, OFFSET.stop + len(STEP_SHIFTS))
STARTS: Final = slice(SHIFT.stop, SHIFT.stop + 1)
LAYER: Final = slice(STARTS.stop, STARTS.stop + len(LAYERS))
CHANNELS_OUT: Final = LAYER.stop
