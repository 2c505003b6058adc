"""What the pen is told about the staff, and what it tells back about a sign."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stand:
    """The staff as the pen sees it, in the flat page before any warping.

    Attributes
    ----------
    space_px : float
        Staff space.
    n_lines : int
    row_of : callable
        (step, col) -> row, px.
    """

    space_px: float
    n_lines: int
    row_of: Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class Drawn:
    """One sign as drawn.

    Attributes
    ----------
    label : str
        A name of neumary_models.labels (staffless signs: the sign's name).
    row, col : float
        Centre of the head's own ink, px; of a clef: the row of the line it marks and the
        middle of its width; of a flat or natural: the middle of its bowl.
    top, left, bottom, right : float
        Ink box, px. Heads: without stems and joints.
    step : int
        The step meant; of a division the middle of the staff; 0 where there are no lines.
    starts_neume : bool
    """

    label: str
    row: float
    col: float
    top: float
    left: float
    bottom: float
    right: float
    step: int
    starts_neume: bool
