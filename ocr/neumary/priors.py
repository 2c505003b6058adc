"""What chant melodies and scribes usually do: gentle odds, each with its source.

They break ties between readings the leaf leaves open; they never speak against a certain one.
"""

from __future__ import annotations

import math
from typing import Final

INTERVAL_COUNTS: Final = {0: 7, 1: 65, 2: 21, 3: 3, 4: 2}
"""Diatonic intervals (0 unison, 1 second, ...), up and down together, of 98 moves in check
melodies: Ut queant laxis (E. MacDowell, *Critical and Historical Essays*, 1912), Dies irae,
Veni creator, Salve Regina, Te Deum (openings, from memory), a Veni Sancte Spiritus test string
(music21), the intonations of psalm tones 1-3 and 5-8 (handbook tables)."""

_PSEUDO: Final = {0: 10.0}
"""Added to the counts: 1 for each interval up to the octave, 10 for the unison, which syllabic
openings hardly show and recitation is full of (common practice, no source)."""

_WIDEST: Final = 7  # an octave; wider leaps share the odds of one
_TRITONE: Final = 0.3  # odds factor of a direct leap between f and b (avoided; common practice)


def _interval_table() -> tuple[float, ...]:
    weights = [INTERVAL_COUNTS.get(i, 0) + _PSEUDO.get(i, 1.0) for i in range(_WIDEST + 1)]
    total = sum(weights)
    return tuple(math.log(w / total / (1 if i == 0 else 2)) for i, w in enumerate(weights))


_LOG_INTERVAL: Final = _interval_table()


def log_interval(degrees: int) -> float:
    """Log probability of a move by so many degrees, up positive."""
    size = abs(degrees)
    return _LOG_INTERVAL[size] if size <= _WIDEST else _LOG_INTERVAL[_WIDEST] - (size - _WIDEST)


def log_move(before: int, after: int) -> float:
    """Log odds of a move between two degrees: the interval, and the tritone f-b avoided."""
    leap = {before % 7, after % 7} == {3, 6} and abs(after - before) in (3, 4)
    return log_interval(after - before) + (math.log(_TRITONE) if leap else 0.0)


_AMBITUS: Final = ((22, 29), (19, 26), (23, 30), (20, 27), (24, 31), (21, 28), (25, 32), (22, 29))
"""Ranges of the eight modes (D-d, A-a, E-e, B-b, F-f, C-c, G-g, D-d), as in every handbook."""


def log_range(degree: int) -> float:
    """Log probability of a degree: in how many modes' ambitus it lies, a step beyond half."""
    weight = sum(
        1.0 if low <= degree <= high else 0.5 if low - 1 <= degree <= high + 1 else 0.0
        for low, high in _AMBITUS
    )
    return math.log((weight + 0.02) / _RANGE_TOTAL)


_RANGE_TOTAL: Final = sum(high - low + 1 + 1.0 for low, high in _AMBITUS) + 0.02 * 20

CLEF_USE: Final = {
    ("clef_c", 4): 0.34,
    ("clef_c", 3): 0.30,
    ("clef_f", 3): 0.12,
    ("clef_c", 2): 0.10,
    ("clef_f", 4): 0.04,
    ("clef_f", 2): 0.04,
    ("clef_c", 1): 0.03,
    ("clef_c", 5): 0.03,
}
"""How often a clef stands on a line. Do clef on 4, 3, 2 and fa clef on 3, seldom 4, as the guides
to printed chant say; the figures themselves are common practice, no source."""

CLEF_STAYS: Final = 0.75
"""Probability that the next staff has the same clef (common practice, no source)."""

CUSTOS_RIGHT: Final = 0.9
"""Probability that a custos announces the next note truly; wrong ones occur in manuscripts
(common practice, no source)."""

CUSTOS_PLACES: Final = 14
"""Steps a wrong custos may fall on: two octaves."""

FLAT_ON_B: Final = 0.95
"""Probability that what was read as a flat belongs to a B (common practice, no source)."""
