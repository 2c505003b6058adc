"""Where a staff's lines run in the leaf map: the map straightened along them, and a comb laid over it.

The votes on a staff's outer lines waver where ruling, text or a neighbouring staff is mixed in with
it; the lines the map sees are then still right. They are followed from the clearest place outwards,
block by block, so that what is seen of them along a whole staff comes to lie on one profile.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from neumary.leaf_map import LeafMap
from neumary.lines import Floats, weighted_smooth
from neumary.staff_bands import Band
from neumary.types import F32, Bool

_STEP: Final = 0.25  # cells, of the profiles
_BEYOND_SPACES: Final = 1.8  # looked at above and below the outer lines
_BLOCK_SPACES: Final = 1.6
_JUMP_SPACES: Final = 0.35  # from block to block; far from a whole space
_STRAY_SPACES: Final = 1.1  # from where the votes have the staff's middle
_PULL: Final = 0.15  # of the place extrapolated
_FORGET: Final = 0.8  # weight of what was seen before in the picture of the lines
_SMOOTH_SPACES: Final = 2.0
_VOTES_SMOOTH_SPACES: Final = 1.5
_COUNTS: Final = (3, 4, 5)
_SPACES_TRIED: Final = np.linspace(0.82, 1.3, 25)  # of the space the map tells
_LOW_SPACES: Final = 1.2  # the lowest line from where it was voted
_LINE: Final = 0.5  # of the clearest line: as much on a place is as likely a line as none
_BETWEEN_WEIGHT: Final = 0.5
_OFF_COUNT: Final = 0.5  # cost of each line more or less than the staff's height says
_OFF_SPACE: Final = 1.5  # cost of a space e times another than the map tells
_OFF_PLACE: Final = 0.5  # cost of each space the outer lines lie off the votes
_PEAK_SPACES: Final = 0.2  # a line lies so near to its even comb
_PEAK: Final = 0.4  # of the clearest line, that a line has on the map to be taken where it is
_HOLE: Final = 0.3  # of the clearest line, in map and ink: under it there is no line within a comb
_PAIR_SPACES: Final = (0.7, 2.7)  # from one line to the other where there are two
_FIFTH_SPACES: Final = 2.0  # from an F line to a c line (common practice)
_OFF_FIFTH: Final = 0.5  # standard deviation of that; rendered pairs stand 1.7 to 2.2 apart on the map
_PAIR_INK: Final = 0.5  # weight of the ink against the map in telling a second line
_PAIR: Final = 0.85  # from here a second line is likelier than none
_SURE_PAIR: Final = 1.35  # and here whatever the other staves have
_ALIKE: Final = 0.7  # weight of the other staves in it: a page is ruled alike
_SURE: Final = 0.95  # mean probability of a staff whose height the map tells well
_SURE_WEIGHT: Final = 2.0
_WORTH_FULL: Final = 1.9  # of combs over full staves, mostly 2 to 4; over ruling beside pairs 0.4 to 1.5
_ALIKE_MANY: Final = 0.5  # what as many lines on all other staves of a page are worth
_IN_COLUMN: Final = 2.5  # so much more on those of its column
_MOST_FULL: Final = 0.75  # of a page's staves
_ABOVE: Final = 0.5  # of the shorter staff: so much is above or below the other
_LEAST_INSIDE: Final = 0.2  # of a staff that the picture's edge cuts
_ONE_TALL_SPACES: Final = 0.4  # no second line in a staff voted lower than this


@dataclass(frozen=True, slots=True, eq=False)
class Straight:
    """The lines of one staff in the leaf map, pulled straight.

    Attributes
    ----------
    centre : ndarray of float64, shape (n,)
        Row of the staff's middle in each column, cells.
    offsets : ndarray of float64, shape (k,)
        Rows below the middle at which the profile is taken, cells.
    profile : ndarray of float64, shape (k,)
        Mean probability of a line, within the picture.
    inside : ndarray of float64, shape (k,)
        Share of each course that lies within the picture.
    """

    centre: Floats
    offsets: Floats
    profile: Floats
    inside: Floats

    def peak_near(self, offset: float, reach: float) -> float:
        """The offset of the profile's summit near another one; that one itself where there is none."""
        near = np.flatnonzero(np.abs(self.offsets - offset) <= reach)
        if len(near) < 3:
            return offset
        k = int(near[self.profile[near].argmax()])
        if k in (near[0], near[-1]) or k in (0, len(self.offsets) - 1):
            return offset
        # Between steps the map is straight, so the parabola goes through places a cell apart.
        a, b, c = np.interp(self.offsets[k] + np.arange(-1, 2), self.offsets, self.profile)
        bend = min(a + c - 2 * b, -1e-9)
        return float(self.offsets[k] + np.clip(0.5 * (a - c) / bend, -0.5, 0.5))


def straighten(
    seen: LeafMap, first: int, top: Floats, bottom: Floats, weight: Floats, space: float
) -> Straight:
    """Pull a staff's lines straight.

    Parameters
    ----------
    seen : LeafMap
    first : int
        First column.
    top, bottom : ndarray of float64, shape (n,)
        Rows of the outer lines as voted, smoothed.
    weight : ndarray of float64, shape (n,)
        Weight of the votes; 0 in a gap.
    space : float
        Staff space, cells.

    Returns
    -------
    Straight
    """
    middle = (top + bottom) / 2
    reach = float(np.median(bottom - top)) / 2 + _BEYOND_SPACES * space
    stray = round(_STRAY_SPACES * space / _STEP)
    half = round(reach / _STEP)
    every = np.arange(-half - stray, half + stray + 1) * _STEP
    lines = _lines_at(seen, first, middle + every[:, None])
    size = max(3, round(_BLOCK_SPACES * space))
    starts = np.arange(0, len(middle), size)
    blocks = np.add.reduceat(lines, starts, axis=1) / np.diff(np.append(starts, len(middle)))
    moves = _moves(blocks.T.astype(np.float64), stray, space)
    places = np.minimum(starts + (size - 1) / 2, len(middle) - 1)
    moved = np.interp(np.arange(len(middle)), places, moves * _STEP)
    moved = weighted_smooth(moved[None], np.ones((1, len(middle))), _SMOOTH_SPACES * space)[0]
    centre = np.asarray(middle + moved, dtype=np.float64)
    offsets = np.arange(-half, half + 1, dtype=np.float64) * _STEP
    straight = _lines_at(seen, first, centre + offsets[:, None])
    mass = np.where(weight > 0, 1.0, 1e-3)
    there = np.abs((centre + offsets[:, None]) - (seen.line.shape[0] - 1) / 2) <= seen.line.shape[0] / 2
    within = (there * mass).sum(axis=1)
    profile = (straight * mass * there).sum(axis=1) / np.maximum(within, 1e-6)
    return Straight(
        centre, offsets, np.asarray(profile, np.float64), np.asarray(within / mass.sum(), np.float64)
    )


def _lines_at(seen: LeafMap, first: int, rows: Floats) -> F32:
    """Probability of a line at rows of the columns from `first` on; none beyond the picture."""
    cols = np.broadcast_to(np.arange(first, first + rows.shape[1], dtype=np.float32), rows.shape)
    at = rows.astype(np.float32), np.ascontiguousarray(cols)
    return np.asarray(cv2.remap(seen.line, at[1], at[0], cv2.INTER_LINEAR, borderValue=0), dtype=np.float32)


def _moves(blocks: Floats, stray: int, space: float) -> Floats:
    """How far each block's lines lie below where they were voted, in steps; from the clearest one on."""
    count, wide = blocks.shape
    jump = max(1, round(_JUMP_SPACES * space / _STEP))
    start = int(np.argmax(blocks.var(axis=1)))
    moves = np.zeros(count)
    for way in (1, -1):
        picture = blocks[start, stray : wide - stray] - blocks[start].mean()
        at = 0
        for b in range(start + way, count if way > 0 else -1, way):
            low, high = max(-stray, at - jump), min(stray, at + jump)
            part = blocks[b, stray + low : wide - stray + high]
            fits = np.correlate(part, picture, "valid")
            tried = np.arange(low, high + 1)
            fits = fits - _PULL * max(float(fits.max()), 1e-6) * ((tried - at) / jump) ** 2
            at = int(tried[int(np.argmax(fits))])
            moves[b] = at
            own = blocks[b, stray + at : wide - stray + at]
            picture = _FORGET * picture + (1 - _FORGET) * (own - own.mean())
    return moves


@dataclass(frozen=True, slots=True, eq=False)
class Combs:
    """What can be laid over a staff.

    Attributes
    ----------
    straight : Straight
    many : dict of int to (float, ndarray)
        For three to five lines what speaks for so many, and their offsets, lowest line first.
    few : dict of int to ndarray
        The same for one line and, where there may be a second one, two.
    pair : float
        What speaks for a second line, where there are few: 0 nothing, 1.5 all.
    full : bool
        Whether there are many lines rather than few.
    span : (int, int)
        First column of the map, and one past the last.
    holed : bool
        Whether the map says many lines, but of one of them nothing is seen.
    """

    straight: Straight
    many: dict[int, tuple[float, Floats]]
    few: dict[int, Floats]
    pair: float
    full: bool
    span: tuple[int, int]
    holed: bool = False

    def strength(self, count: int) -> float:
        """What speaks for so many lines, for the share of them that lies within the picture."""
        worth, lines = self.many[count]
        inside = float(np.interp(lines, self.straight.offsets, self.straight.inside).mean())
        return worth / max(inside, _LEAST_INSIDE)


InkBeside = Callable[[Floats, float], tuple[Floats, Floats]]
"""Rows of a staff's middle and a reach, in cells, to offsets and the ridge of ink there, 0..1."""


def find_combs(seen: LeafMap, band: Band, ink: InkBeside | None = None) -> Combs:
    """Lay combs over a staff.

    Parameters
    ----------
    seen : LeafMap
    band : Band
    ink : callable, optional
        See `InkBeside`.

    Returns
    -------
    Combs
    """
    sigma = _VOTES_SMOOTH_SPACES * band.space
    top, bottom = weighted_smooth(np.vstack([band.top, band.bottom]), np.vstack([band.weight] * 2), sigma)
    straight = straighten(seen, band.first, top, bottom, band.weight, band.space)
    map_says = straight.profile / max(float(straight.profile.max()), 1e-6)
    ink_says = map_says
    if ink is not None:
        ink_says = np.interp(straight.offsets, *ink(straight.centre, float(straight.offsets[-1])))
    voted = float(np.median(top - straight.centre)), float(np.median(bottom - straight.centre))
    many = _many(straight, (map_says + ink_says) / 2, *voted, band.space)
    best = max(many, key=lambda n: many[n][0])
    hidden = 1.0 - straight.inside
    least = _least(straight.offsets, many[best][1][1:-1], map_says, ink_says, hidden)
    few, pair = _few(straight, map_says, ink_says, *voted, band.space)
    pair += _SURE_WEIGHT * (band.p - _SURE) if 2 in few else 0.0
    holed = band.full >= 0.5 and least < _HOLE and 2 in few
    full = band.full >= 0.5 and not holed
    return Combs(straight, many, few, pair, full, (band.first, band.last), holed)


def _least(offsets: Floats, lines: Floats, *said: Floats) -> float:
    """Of the line least spoken for what speaks for it most."""
    return float(np.maximum.reduce([np.interp(lines, offsets, says) for says in said]).min())


def _many(
    straight: Straight, says: Floats, top: float, bottom: float, space: float
) -> dict[int, tuple[float, Floats]]:
    """Of three to five even lines each number's best place."""
    worth = (says - _LINE) * straight.inside
    expected = (bottom - top) / space + 1

    def at(places: Floats) -> Floats:
        return np.interp(places, straight.offsets, worth, left=-_LINE, right=-_LINE)

    best: dict[int, tuple[float, Floats]] = {}
    gaps = space * _SPACES_TRIED[:, None, None]
    low = np.arange(bottom - _LOW_SPACES * space, bottom + _LOW_SPACES * space, _STEP)[None, :, None]
    for n in _COUNTS:
        lines = low - gaps * np.arange(n)
        between = at(low - gaps * (np.arange(n - 1) + 0.5)).sum(axis=2)
        beyond = at(low - gaps * np.array([-1, n])).sum(axis=2)
        score = at(lines).sum(axis=2) - _BETWEEN_WEIGHT * between - beyond
        off = np.abs(low[..., 0] - bottom) + np.abs(low[..., 0] - gaps[..., 0] * (n - 1) - top)
        score = score - _OFF_PLACE * off / space - _OFF_COUNT * abs(expected - n)
        score = score - _OFF_SPACE * np.abs(np.log(_SPACES_TRIED))[:, None]
        i, j = np.unravel_index(int(score.argmax()), score.shape)
        best[n] = float(score[i, j]), lines[i, j]
    return best


def _few(
    straight: Straight, map_says: Floats, ink_says: Floats, top: float, bottom: float, space: float
) -> tuple[dict[int, Floats], float]:
    """The clearest line, it and a second one, and what speaks for the second one."""
    at = straight.offsets
    main = _summit(map_says, (at > top - space) & (at < bottom + space))
    if main is None:
        return {1: np.array([(top + bottom) / 2])}, 0.0
    one = straight.peak_near(float(at[main]), _PEAK_SPACES * space)
    away = np.abs(at - at[main]) / space
    near_fifth = np.exp(-0.5 * ((away - _FIFTH_SPACES) / _OFF_FIFTH) ** 2)
    second = _summit(
        map_says * near_fifth,
        (away > _PAIR_SPACES[0]) & (away < _PAIR_SPACES[1]) & (at > top - space) & (at < bottom + space),
    )
    if second is None or bottom - top < _ONE_TALL_SPACES * space:
        return {1: np.array([one])}, 0.0
    other = straight.peak_near(float(at[second]), _PEAK_SPACES * space)
    inked = min(1.0, float(ink_says[second]) / max(float(ink_says[main]), 1e-6))
    pair = float(map_says[second] / map_says[main]) + _PAIR_INK * inked
    return {1: np.array([one]), 2: np.array(sorted((one, other), reverse=True))}, pair


def _summit(profile: Floats, allowed: Bool) -> int | None:
    """Place of the highest summit among those allowed."""
    inner = np.zeros(len(profile), dtype=bool)
    inner[1:-1] = (profile[1:-1] >= profile[:-2]) & (profile[1:-1] >= profile[2:]) & (profile[1:-1] > 0)
    places = np.flatnonzero(inner & allowed)
    return int(places[profile[places].argmax()]) if len(places) else None


def count_lines(combs: Sequence[Combs]) -> list[int]:
    """Number of lines of each staff of a page; the staves tell one another, where many those of a column.

    Parameters
    ----------
    combs : sequence of Combs
        All of a page.

    Returns
    -------
    list of int
        1 to 5.
    """
    usual = float(np.median([c.pair for c in combs if not c.full] or [0.0]))
    pairs = sum(not c.full for c in combs) > len(combs) / 2
    filled = sum(c.full for c in combs) >= _MOST_FULL * len(combs)  # one of their lines may have faded
    full = [(c.full and not (pairs and _is_pair(c))) or (c.holed and filled) for c in combs]
    alone = [max(c.many, key=lambda n: c.many[n][0]) if f else 0 for c, f in zip(combs, full, strict=True)]

    def of(c: Combs, full: bool) -> int:
        if full:
            page = [n for n, other in zip(alone, combs, strict=True) if n and other is not c]
            column = [n for n, other in zip(alone, combs, strict=True) if n and _in_one_column(c, other)]
            return max(c.many, key=lambda n: c.many[n][0] + _alike(page, n) + _IN_COLUMN * _alike(column, n))
        alike = (1 - _ALIKE) * c.pair + _ALIKE * usual
        return 2 if 2 in c.few and (alike >= _PAIR or c.pair >= _SURE_PAIR) else 1

    return [of(c, f) for c, f in zip(combs, full, strict=True)]


def _is_pair(combs: Combs) -> bool:
    """Whether a staff that passes for a full one may as well be a pair of lines with ruling beside them."""
    return 2 in combs.few and combs.pair >= _PAIR and max(w for w, _ in combs.many.values()) < _WORTH_FULL


def _alike(others: list[int], n: int) -> float:
    """What the number of lines of other staves says for so many."""
    return _ALIKE_MANY * others.count(n) / (len(others) + 1)


def _in_one_column(one: Combs, other: Combs) -> bool:
    """Whether two different staves stand above one another."""
    common = min(one.span[1], other.span[1]) - max(one.span[0], other.span[0])
    shorter = min(one.span[1] - one.span[0], other.span[1] - other.span[0])
    return one is not other and common > _ABOVE * shorter


def lines_of(combs: Combs, count: int, space: float) -> tuple[Floats, float]:
    """Rows of all lines of a staff, those beyond the picture's edge too.

    Parameters
    ----------
    combs : Combs
    count : int
        Number of lines.
    space : float
        Staff space as the band has it, cells.

    Returns
    -------
    ndarray of float64, shape (n_lines, n)
        Rows in cells, bottom line first.
    float
        Staff space in cells.
    """
    straight = combs.straight
    if count in combs.few:
        at = combs.few[count]
    else:
        even = combs.many[count][1]
        clear = _PEAK * float(straight.profile.max())
        near = [straight.peak_near(float(k), _PEAK_SPACES * space) for k in even]
        seen = np.interp(near, straight.offsets, straight.profile) >= clear
        at = np.where(seen, near, even)
        space = float(at[0] - at[-1]) / (count - 1)
    return straight.centre + at[:, None], space
