"""The staff space beside a single line, asked of the network.

One line alone shows no staff space, and the distance from staff to staff is a poor guide: it
differs from book to book. The network knows signs at one scale only, so the scale at which it
reads a few staves most surely is theirs; the steps it then gives to heads far from the line
fix the space to a few hundredths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.glyphs import Calibration, Candidate, choose, find_candidates
from neumary.read import read_strip
from neumary.strips import BOTTOM_ROW, STRIP_SPACE, cut_strip
from neumary.types import InkMap, Staff, StaffLine
from neumary_models.labels import HEADS
from neumary_models.zoo import LoadedModel

_RATIO: Final = 1.19  # from one scale tried to the next; the network bears a tenth either way
_TRIED: Final = 4  # scales each way of the first guess: from a half to twice
_STAVES: Final = 3  # staves asked at first
_STAVES_AT_LAST: Final = 5  # staves asked about the scales near the best
_STRETCH_SPACES: Final = 24.0  # of each so much, in first guesses
_FAR_STEPS: Final = 2  # heads nearer to the line say little about the space
_LEAST_HEADS: Final = 8  # for the space to be mended by their steps
_MOST_MENDED: Final = 1.15
_LEAST_WORTH: Final = 4.0  # worth of the best scale; under it there is hardly a sign to go by
_DOUBT_WEIGHT: Final = 3.0  # of doubt against number: too small a scale takes in the neighbours' signs
_GUESS_SPREAD: Final = 0.2  # of the first guess, in natural logarithms
_AGREED: Final = 0.2  # the guess still counts if the fit is no further from it, in logarithms
_GUESS_SHARE: Final = 0.4
_GUESS_WEIGHT: Final = 6.0  # heads that the first guess is worth


def fit_space(ink: InkMap, staves: Sequence[Staff], model: LoadedModel) -> list[Staff]:
    """Give staves of one coloured line the staff space at which the network reads them best.

    One space is fitted for all of them on a page.

    Parameters
    ----------
    ink : InkMap
    staves : sequence of Staff
        All of a page. Where some have two lines, their space is known and nothing is fitted.
    model : LoadedModel

    Returns
    -------
    list of Staff
    """
    lone = [staff for staff in staves if len(staff.lines) == 1 and staff.kind == "coloured-lines"]
    if not lone or any(len(s.lines) == 2 and s.kind == "coloured-lines" for s in staves):
        return list(staves)
    guess = float(np.median([staff.space_px for staff in lone]))
    longest = sorted(lone, key=lambda s: (s.lines[0].cols[0] - s.lines[0].cols[-1], s.id))[:_STAVES_AT_LAST]
    pieces = [_middle(staff, _STRETCH_SPACES * guess) for staff in longest]
    asking = _Asking(ink, model, Calibration(**model.calibration), guess)
    tried = [guess * _RATIO**k for k in range(-_TRIED, _TRIED + 1)]
    worth, space = max((asking.worth(pieces[:_STAVES], space), space) for space in tried)
    if worth < _LEAST_WORTH:
        return list(staves)
    near = [space * _RATIO ** (k / 3) for k in (-2, -1, 0, 1, 2)]
    _, space = max((asking.worth(pieces, space), space) for space in near)
    space *= _mended([head for piece in pieces for head in asking.heads(piece, space)])
    if abs(math.log(space / guess)) < _AGREED:  # two witnesses that agree err less than either
        space = math.exp((1 - _GUESS_SHARE) * math.log(space) + _GUESS_SHARE * math.log(guess))
    return [msgspec.structs.replace(s, space_px=round(space, 3)) if s in lone else s for s in staves]


def _middle(staff: Staff, length_px: float) -> Staff:
    """The middle stretch of a staff of one line."""
    line = staff.lines[0]
    centre = (line.cols[0] + line.cols[-1]) / 2
    half = min(length_px, line.cols[-1] - line.cols[0]) / 2
    cols = np.linspace(centre - half, centre + half, 24)
    piece = StaffLine(
        cols=tuple(float(c) for c in cols),
        rows=tuple(line.row_at(float(c)) for c in cols),
        thickness_px=line.thickness_px,
        colour=line.colour,
        seen=line.seen,
    )
    return msgspec.structs.replace(staff, lines=(piece,))


@dataclass(frozen=True, slots=True, eq=False)
class _Asking:
    """What the network makes of staves under a staff space."""

    ink: InkMap
    model: LoadedModel
    calibration: Calibration
    guess: float

    def heads(self, staff: Staff, space_px: float) -> list[Candidate]:
        """Heads believed."""
        strip = cut_strip(self.ink, msgspec.structs.replace(staff, space_px=space_px))
        candidates = find_candidates(read_strip(strip, self.model)[0], self.calibration)
        return [c for c in choose(candidates, self.calibration) if c.label in HEADS]

    def worth(self, staves: Sequence[Staff], space_px: float) -> float:
        """Heads read, less the doubt about what and where each is, less the distance from the guess."""
        heads = [head for staff in staves for head in self.heads(staff, space_px)]
        sure = [c.p_sign * float(c.labels.max()) * c.steps[0][1] for c in heads]
        away = math.log(space_px / self.guess) / _GUESS_SPREAD
        return sum(p + _DOUBT_WEIGHT * math.log(max(p, 1e-3)) for p in sure) - _GUESS_WEIGHT * 0.5 * away**2


def _mended(heads: list[Candidate]) -> float:
    """How much larger the space is than the strips took it to be, by the steps of far heads."""
    far = [(c.steps[0][0], BOTTOM_ROW - c.row) for c in heads if abs(c.steps[0][0]) >= _FAR_STEPS]
    if len(far) < _LEAST_HEADS:
        return 1.0
    steps, rises = (np.array(values, dtype=np.float64) for values in zip(*far, strict=True))
    # Weighted median of the single ratios: the median of least absolute deviations.
    ratios = rises / (steps * STRIP_SPACE / 2)
    order = np.argsort(ratios, kind="stable")
    mass = np.cumsum(np.abs(steps)[order])
    ratio = float(ratios[order][int(np.searchsorted(mass, 0.5 * mass[-1]))])
    return min(max(ratio, 1 / _MOST_MENDED), _MOST_MENDED)
