"""Looks of the leaf network at a page: at which scale its staves are seen best.

The network bears an error of a third in the staff space it is shown; where the page's ruling does not
tell the space, or there are too few lines to show one, several scales are tried.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary.leaf_map import LeafMap, look, look_aslant
from neumary.lines import stroke_height
from neumary.staff_bands import Band, find_bands
from neumary.types import InkMap
from neumary_models.zoo import LoadedModel

_OFF: Final = 0.22  # logarithm of an error in the space from which another look is worth while
_LOOKS: Final = 3  # at most, from one first guess
_SPACE_PER_STROKE: Final = 1.4  # staff space against the height of heads and small letters
_STROKE_STRIP_PX: Final = 6
_LONGEST_STROKE_SPACES: Final = 3.5
_SPACES_PER_SIDE: Final = 60.0  # of the shorter side, where nothing else tells
_SPACES_PER_FRAGMENT: Final = 16.0  # the same of a fragment or a strip with a staff or two
_OTHER_GUESS: Final = 0.3  # logarithm by which guesses must differ
_WEAK_RULING: Final = 0.06  # strength of the ruling under which its space is only a guess
_CLEAR_RULING: Final = 0.12  # strength from which ruling is there
_LEVEL: Final = 0.88  # mean probability of its staves under which it may be too steep for the network
_STEEP: Final = 0.1  # rows a column by which the page is sheared then
_OTHER_RATIOS: Final = (0.37, 0.52, 0.74, 1.35, 1.8)
_LONE: Final = 1.5  # mean number of lines under which a page has single lines
_LONE_RATIOS: Final = (0.74, 1.35, 1.8)
# Single lines at their own scale have 0.98 and more, those that passed for pairs 0.94 and less, pairs 0.96.
_SURE_LONE: Final = 0.975
_SURE_PAIRS: Final = 0.95
_AS_FAR: Final = 0.9  # of the length of all staves
_BETTER: Final = 1.15  # so much more must be found at another scale
_MOST_SQUARES: Final = 90_000  # staff spaces squared on a page; more of them are no sensible scale


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One look at a page.

    Attributes
    ----------
    worth : float
        How much is found, and how surely: length of all lines in working pixels, less where doubtful.
    seen : LeafMap
    bands : list of Band
        Staves seen.
    space_px : float
        Their space in working pixels; the guess that was looked with where there are none.
    """

    worth: float
    seen: LeafMap
    bands: list[Band]
    space_px: float

    @property
    def lines(self) -> float:
        """Mean number of lines that the staves have room for."""
        return float(np.mean([band.about_lines for band in self.bands]))

    @property
    def length(self) -> float:
        """Of all staves, working pixels."""
        return self.seen.cell_px[1] * sum(len(band.top) for band in self.bands)

    @property
    def sureness(self) -> float:
        """Mean probability of the staves, long ones counting more."""
        return float(np.average([band.p for band in self.bands], weights=[len(b.top) for b in self.bands]))


def look_around(ink: InkMap, model: LoadedModel) -> list[Look]:
    """Looks at a page, the best one first; at other scales where the first guess was wrong.

    Parameters
    ----------
    ink : InkMap
    model : LoadedModel
        The leaf network.

    Returns
    -------
    list of Look
        One at the least.
    """
    best: Look | None = None
    for guess in _guesses(ink):
        for _ in range(_LOOKS):
            one = _one_look(ink, guess, model)
            best = one if best is None or one.worth > best.worth else best
            if not one.bands or abs(math.log(one.space_px / guess)) < _OFF:
                break
            guess = one.space_px
        if best is not None and best.bands:
            break
    assert best is not None  # there is always a guess
    ruled = ink.spacing is not None and ink.spacing.strength >= _CLEAR_RULING
    if ruled and (not best.bands or np.mean([band.p for band in best.bands]) < _LEVEL):
        guess = next(_guesses(ink))
        aslant = [_one_look(ink, guess, model, slope) for slope in (-_STEEP, _STEEP)]
        best = max([best, *aslant], key=lambda one: one.worth)
    return _by_scale(ink, model, best) if best.bands else [best]


def _by_scale(ink: InkMap, model: LoadedModel, best: Look) -> list[Look]:
    """Few lines show no space of their own: the surest of several scales is theirs."""
    weak = ink.spacing is None or ink.spacing.strength < _WEAK_RULING
    if not weak and np.mean([band.full for band in best.bands]) >= 0.5:
        return [best]
    lone = best.lines < _LONE
    ratios, better = (_LONE_RATIOS, 1.0) if lone else (_OTHER_RATIOS, _BETTER)
    spaces = [best.space_px * ratio for ratio in ratios]
    affordable = [space for space in spaces if ink.dark.size / space**2 < _MOST_SQUARES]
    others = [_one_look(ink, space, model) for space in affordable]
    worth = [best.worth * better, *(one.worth for one in others)]
    order = sorted(range(len(worth)), key=lambda i: -worth[i])
    looks = [([best, *others])[i] for i in order if i == 0 or others[i - 1].bands]
    return sorted(looks, key=lambda one: not surely_lone(one, looks[0]))


def surely_lone(one: Look, best: Look) -> bool:
    """Whether a look surely sees single lines where the best one, less surely, has room for two of them.

    Parameters
    ----------
    one, best : Look
        Each with staves.
    """
    return (
        best.sureness < _SURE_PAIRS
        and one.lines < _LONE
        and one.sureness >= _SURE_LONE
        and one.length >= _AS_FAR * best.length
    )


def _one_look(ink: InkMap, guess: float, model: LoadedModel, slope: float = 0.0) -> Look:
    """How much is found, and how surely; the map; the bands; their space."""
    seen = look_aslant(ink, guess, model, slope) if slope else look(ink, guess, model)
    bands = find_bands(seen)
    worth = seen.cell_px[1] * sum(len(band.top) * band.about_lines * max(0.0, band.p - 0.5) for band in bands)
    return Look(worth, seen, bands, _space(bands) * seen.cell_px[0] if bands else guess)


def _space(bands: list[Band]) -> float:
    """Mean staff space in cells, long staves counting more."""
    return math.exp(
        float(np.average([math.log(b.space) for b in bands], weights=[len(b.top) * b.p for b in bands]))
    )


def _guesses(ink: InkMap) -> Iterator[float]:
    """Staff spaces to look with, working pixels: of the ruling, of the page, of the script."""
    given: list[float] = []
    for guess in _ways_to_guess(ink):
        if all(abs(math.log(guess / other)) > _OTHER_GUESS for other in given):
            given.append(guess)
            yield guess


def _ways_to_guess(ink: InkMap) -> Iterator[float]:
    if ink.spacing is not None:
        small = ink.spacing.smallest_px or ink.spacing.space_px
        # Between the two, so that staves of either size are seen.
        yield (ink.spacing.space_px**2 * small) ** (1 / 3) * ink.scale
    side = min(ink.dark.shape) / _SPACES_PER_SIDE
    yield max(side, 1.0)
    yield min(ink.dark.shape) / _SPACES_PER_FRAGMENT
    strokes = stroke_height(ink.dark, _STROKE_STRIP_PX, _LONGEST_STROKE_SPACES * side)
    if 0 < strokes < side:
        yield _SPACE_PER_STROKE * strokes
