"""From the height of a head to a distribution over degrees: fitted widths, by what guides the eye.

Two witnesses tell how many degrees a head lies above a known height: the network, which was
trained on such staves, and plain geometry. Their product is taken, geometry as a normal
distribution whose width grows with the distance from the nearest seen line or letter. The
widths and the weight of the network were fitted by likelihood on rendered pages of the train
split that the network had not seen (`python -m neumary_training.range_fit`, which prints the
tables below); the doubt, the chance that neither witness holds, is kept up by hand, because real
scribes keep less strictly to a grid they do not see.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

AWAY_KNOTS: Final = (0.0, 1.0, 2.0, 4.0, 6.0)
"""Distances from the nearest seen line or letter (degrees) at which the widths are given."""
REACH: Final = 7
"""Degrees up and down of a head's height that are weighed."""
_FLOOR: Final = 1e-3  # what the network leaves a degree it does not name
_BROAD: Final = 1.5  # degrees: width where neither witness holds


@dataclass(frozen=True, slots=True)
class RangeModel:
    """How sure a height makes of a degree.

    Attributes
    ----------
    widths : tuple of float
        Standard deviation of a head's height, in degrees, at `AWAY_KNOTS`.
    network : float
        Exponent on the network's probabilities; 0 leaves them out.
    doubt : float
        Chance that neither witness holds.
    """

    widths: tuple[float, ...]
    network: float
    doubt: float

    def width_at(self, away: float) -> float:
        """Standard deviation at a distance; level beyond the last knot."""
        return float(np.interp(away, AWAY_KNOTS, self.widths))


MODELS: Final[Mapping[str, RangeModel]] = {
    "two-line": RangeModel((1.107, 1.186, 1.268, 1.351, 1.432), 0.833, 0.01),
    "one-line": RangeModel((0.401, 0.477, 0.556, 0.645, 0.731), 0.514, 0.01),
    "letters": RangeModel((1.577, 1.662, 1.762, 1.859, 1.943), 0.505, 0.01),
}
"""Of staves with two lines, with one, and with letters only."""

WITHOUT_NETWORK: Final[Mapping[str, RangeModel]] = {
    "two-line": RangeModel((0.25, 0.35, 0.45, 0.65, 0.85), 0.0, 0.02),
    "one-line": RangeModel((0.25, 0.35, 0.45, 0.65, 0.85), 0.0, 0.02),
    "letters": RangeModel((0.5, 0.55, 0.65, 0.85, 1.05), 0.0, 0.02),
}
"""The same where the network said nothing, as of signs a person put in."""


def degrees_at(
    model: RangeModel, height: float, away: float, network: Mapping[int, float] | None = None
) -> dict[int, float]:
    """Probabilities of degrees around a height; they sum to 1.

    Parameters
    ----------
    model : RangeModel
    height : float
        Degrees above a known height, by geometry.
    away : float
        Degrees from the nearest seen line or letter, not negative.
    network : mapping of int to float, optional
        Degrees above the same height with the network's probabilities.
    """
    middle = math.floor(height + 0.5)
    around = range(middle - REACH, middle + REACH + 1)
    width = model.width_at(away)
    logs = {d: -0.5 * ((d - height) / width) ** 2 for d in around}
    if network:
        logs = {
            d: value + model.network * math.log(max(network.get(d, 0.0), _FLOOR)) for d, value in logs.items()
        }
    most = max(logs.values())
    joint = {d: math.exp(value - most) for d, value in logs.items()}
    broad = {d: math.exp(-0.5 * ((d - height) / (_BROAD + width)) ** 2) for d in around}
    total, wide = sum(joint.values()), sum(broad.values())
    return {d: (1 - model.doubt) * joint[d] / total + model.doubt * broad[d] / wide for d in around}
