"""What chant melodies and scribes usually do: gentle odds, each with its source.

They break ties between readings the leaf leaves open; they never speak against a certain one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

INTERVAL_COUNTS: Final = {0: 7, 1: 65, 2: 21, 3: 3, 4: 2}
"""Diatonic intervals (0 unison, 1 second, ...), up and down together, of 98 moves in check
melodies: Ut queant laxis (E. MacDowell, *Critical and Historical Essays*, 1912), Dies irae,
Veni creator, Salve Regina, Te Deum (openings, from memory), a Veni Sancte Spiritus test string
(music21), the intonations of psalm tones 1-3 and 5-8 (handbook tables)."""

_UNISONS: Final = {"within": 5.0, "between": 44.0}
"""Counts of the unison put in place of the one above, which is taken from syllabic openings: within a
neume it is rare, between neumes recitation is full of it (about one move in twenty, and one in three;
common practice, no source)."""

_WIDEST: Final = 7  # an octave; wider leaps share the odds of one
_TRITONE: Final = 0.3  # odds factor of a direct leap between f and b (avoided; common practice)


def _interval_table(where: str) -> tuple[float, ...]:
    weights = [_UNISONS[where], *(INTERVAL_COUNTS.get(i, 0) + 1.0 for i in range(1, _WIDEST + 1))]
    total = sum(weights)
    return tuple(w / total / (1 if i == 0 else 2) for i, w in enumerate(weights))


_WITHIN: Final = _interval_table("within")
_BETWEEN: Final = _interval_table("between")


def log_interval(degrees: int, apart: float = 1.0) -> float:
    """Log probability of a move by so many degrees, up positive.

    Parameters
    ----------
    degrees : int
    apart : float
        Probability that a neume begins with the second note.
    """
    size = min(abs(degrees), _WIDEST)
    p = apart * _BETWEEN[size] + (1 - apart) * _WITHIN[size]
    return math.log(p) - (abs(degrees) - size)


def log_move(before: int, after: int, apart: float = 1.0) -> float:
    """Log odds of a move between two degrees: the interval, and the tritone f-b avoided."""
    leap = {before % 7, after % 7} == {3, 6} and abs(after - before) in (3, 4)
    return log_interval(after - before, apart) + (math.log(_TRITONE) if leap else 0.0)


LOST_MOVES: Final = 3
"""Moves between the note a custos announces and the first one seen, where the picture's edge cuts off how a
staff begins; so many come nearest to notes 1 to 8 places apart on 800 rendered pages kept out of training."""


def _lost_table() -> tuple[float, ...]:
    """Log probability of each interval, up or down, after `LOST_MOVES` moves."""
    reach = 4 * _WIDEST
    once = np.exp([log_interval(d) for d in range(-reach, reach + 1)])
    spread = np.ones(1)
    for _ in range(LOST_MOVES):
        spread = np.convolve(spread, once / once.sum())
    return tuple(float(p) for p in np.log(spread[len(spread) // 2 :][:reach]))


_LOST: Final = _lost_table()


def log_lost(degrees: int) -> float:
    """Log probability of an interval with some notes lost in between.

    Parameters
    ----------
    degrees : int
    """
    return _LOST[min(abs(degrees), len(_LOST) - 1)]


_MODES: Final = (
    (22, 26, 22, 29),
    (22, 24, 19, 26),
    (23, 28, 23, 30),
    (23, 26, 20, 27),
    (24, 28, 24, 31),
    (24, 26, 21, 28),
    (25, 29, 25, 32),
    (25, 28, 22, 29),
)
"""Final, tenor and range (low, high) of the eight modes, as in every handbook; d3 = 22."""

_DEGREES: Final = range(8, 46)  # far beyond the gamut: every base times every step
_AT_FINAL: Final = 1.5  # how much oftener than another note of the range the final sounds
_AT_TENOR: Final = 1.2  # the same of the tenor (both design figures)
_STEP_BEYOND: Final = 0.3  # a note one step outside the range (subtonium and the like: common practice)
_FAR_BEYOND: Final = 0.02


def _mode_table() -> tuple[tuple[float, ...], ...]:
    rows = []
    for final, tenor, low, high in _MODES:
        weights = []
        for degree in _DEGREES:
            beyond = max(low - degree, degree - high, 0)
            weight = 1.0 if beyond == 0 else _STEP_BEYOND if beyond == 1 else _FAR_BEYOND / beyond
            weight *= _AT_FINAL if degree == final else _AT_TENOR if degree == tenor else 1.0
            weights.append(weight)
        rows.append(tuple(math.log(w / sum(weights)) for w in weights))
    return tuple(rows)


_LOG_IN_MODE: Final = _mode_table()


def log_in_modes(degrees: Mapping[int, int], weight: float) -> float:
    """Log probability of a set of notes, whichever of the eight modes they are in.

    Parameters
    ----------
    degrees : mapping of int to int
        How often each degree sounds.
    weight : float
        For each note; below 1 because notes of one melody are no independent witnesses.
    """
    first, last = _DEGREES[0], _DEGREES[-1]
    counts = [(min(max(d, first), last) - first, weight * n) for d, n in degrees.items()]
    totals = [sum(row[k] * n for k, n in counts) for row in _LOG_IN_MODE]
    peak = max(totals)
    return peak + math.log(sum(math.exp(t - peak) for t in totals) / len(totals))


CLEF_USE: Final = {
    ("clef_c", 4): 0.32,
    ("clef_c", 3): 0.29,
    ("clef_f", 3): 0.12,
    ("clef_c", 2): 0.10,
    ("clef_f", 4): 0.04,
    ("clef_f", 2): 0.04,
    ("clef_c", 1): 0.03,
    ("clef_c", 5): 0.03,
    ("clef_f", 5): 0.03,
}
"""How often a clef stands on a line. Do clef on 4, 3, 2 and fa clef on 3, seldom 4, as the guides
to printed chant say; the figures themselves, and that line 5 of five takes either letter, are common
practice, no source."""

CLEF_STAYS: Final = 0.7
"""Probability that the next staff keeps the clef while the notes stay on the staff under it; scribes
change it to keep the melody off ledger lines (common practice). This figure is set on 160 rendered pages kept
out of training, by how likely it makes each clef with its own sign covered up; the next two on 200."""

CLEF_STAYS_AWAY: Final = 0.5
"""The same where the notes would leave the staff."""

CLEF_STAYS_NEW: Final = 0.55
"""The same where a new chant seems to begin: no custos, by a scribe who writes them (199 of 361 staves of
200 rendered pages kept out of training)."""

CLEF_STAYS_UNSEEN: Final = 0.35
"""The same where the clef cannot be seen and no custos announces its staff: mostly an initial hides it, and
with the initial a new chant begins (common practice; 34 of 102 on the same pages, with a custos 12 of 13)."""

CUSTOS_RIGHT: Final = 0.97
"""Probability that a custos announces the next note truly; wrong ones occur in manuscripts
(common practice, no source)."""

CUSTOS_STEP_OFF: Final = 0.02
"""Probability that a custos, as drawn and read, lies a step beside the note it means: its tail makes its
height hard to tell (set on the same pages)."""

CUSTOS_PLACES: Final = 14
"""Steps a wrong custos may fall on: two octaves."""

FLAT_ON_B: Final = 0.98
"""Probability that a flat or natural surely read belongs to a B: 268 of 268 on rendered pages kept out of
training, taken down a little because scribes err as renderers do not."""
