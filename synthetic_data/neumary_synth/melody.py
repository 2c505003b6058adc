"""Invented chants: modal melodies over invented syllables.

Degrees are clef-literal: c4 = 28 is the C clef's line, f3 = 24 the F clef's. Finals, tenors
and ambitus follow the eight-mode table of the music encyclopaedias (authentic: octave on the
final, tenor a fifth above it, mode 3 a sixth; plagal: from a fourth below to a fifth above the
final, tenor a third under the authentic one's, mode 4 a fourth above its final, mode 8 too).
Neume sizes, intervals and the choice of heads are common practice without a published count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from neumary_synth.script import sample_latin

B_DEGREE: Final = 27
CLEF_DEGREES: Final = {"c": 28, "f": 24, "a": 26, "b": 27, "d": 29, "e": 30, "g": 32}
"""Degree of the line a clef letter stands on, clef-literal."""


@dataclass(frozen=True, slots=True)
class Mode:
    """A church mode: degrees of its final and tenor, and its range."""

    final: int
    tenor: int
    low: int
    high: int
    flat_p: float  # how often a phrase of it has B-flats


MODES: Final[dict[int, Mode]] = {
    1: Mode(22, 26, 22, 29, 0.4),
    2: Mode(22, 24, 19, 26, 0.3),
    3: Mode(23, 28, 23, 30, 0.03),
    4: Mode(23, 26, 20, 27, 0.1),
    5: Mode(24, 28, 24, 31, 0.4),
    6: Mode(24, 26, 21, 28, 0.5),
    7: Mode(25, 29, 25, 32, 0.02),
    8: Mode(25, 28, 22, 29, 0.06),
}


@dataclass(frozen=True, slots=True)
class Note:
    """A sung note: degree, alteration (-1 for B-flat), label of its head."""

    degree: int
    alter: int = 0
    label: str = "punctum"


@dataclass(frozen=True, slots=True)
class ChantNeume:
    """The notes of one neume, in the order sung."""

    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class ChantSyllable:
    """A syllable and its neumes; `wordpos` is i, m, t or s (MEI data.WORDPOS)."""

    text: str
    wordpos: str
    neumes: tuple[ChantNeume, ...]


@dataclass(frozen=True, slots=True)
class Chant:
    """A whole melody; `final` is a degree, the last note."""

    mode: int
    final: int
    syllables: tuple[ChantSyllable, ...]


# contours by size: U up, D down, S same, with weights
_CONTOURS: Final[dict[int, dict[str, float]]] = {
    1: {"": 1.0},
    2: {"U": 0.45, "D": 0.48, "S": 0.07},
    3: {"UD": 0.29, "DD": 0.25, "UU": 0.17, "DU": 0.16, "SD": 0.07, "SS": 0.04, "US": 0.03},
    4: {
        "UDD": 0.26,
        "DUD": 0.18,
        "UUD": 0.15,
        "UDU": 0.12,
        "DDD": 0.1,
        "DDU": 0.08,
        "SDD": 0.05,
        "UUU": 0.06,
    },
    5: {"UDDD": 0.2, "UUDD": 0.2, "DUDD": 0.18, "UDUD": 0.14, "DDUD": 0.1, "DUDU": 0.1, "SUDD": 0.08},
    6: {"UUDDD": 0.3, "UDUDD": 0.25, "DUDUD": 0.2, "DDDUD": 0.15, "UUUDD": 0.1},
}
_SIZE_P: Final = (0.63, 0.215, 0.105, 0.032, 0.012, 0.006)
_LEAP_P: Final = (0.79, 0.165, 0.03, 0.015)  # second, third, fourth, fifth inside a neume
_STEP_WEIGHT: Final = {0: 0.34, 1: 0.27, 2: 0.09, 3: 0.025, 4: 0.012}  # between neumes, each way
_MANY_LETTERS: Final = 5.0  # factor on letter clefs from which on a page is one of many clefs
_OFF_MIDDLE: Final = 1.5
"""Steps from the middle of the staff to the middle of the range: how far scribes let them lie apart. Set so
that the spread on drawn staves of four lines (1.4 without it) comes near that on 37 photographed ones
(0.93)."""


def sample_chant(
    rng: np.random.Generator,
    mode: int | None = None,
    n_syllables: int = 60,
    *,
    ornate: float | None = None,
    flats: float = 1.0,
) -> Chant:
    """Invent a chant.

    Phrases of 5 to 12 syllables leave the ground, move about the tenor and fall to a
    cadence; the last note is the final. The range is the mode's ambitus, a step more at either end.

    Parameters
    ----------
    rng : numpy.random.Generator
    mode : int, optional
        1 to 8; by default any.
    n_syllables : int
        At least 1.
    ornate : float, optional
        Factor on the share of rare heads; drawn for the chant where left out.
    flats : float
        Factor on the share of phrases with B-flats.

    Returns
    -------
    Chant

    Raises
    ------
    ValueError
        If the mode is none of the eight, or there is no syllable to sing.
    """
    number = int(rng.integers(1, 9)) if mode is None else mode
    if number not in MODES:
        raise ValueError(f"there is no mode {number}: the modes are 1 to 8")
    if n_syllables < 1:
        raise ValueError("a chant needs at least one syllable")
    here = MODES[number]
    melismatic = float(rng.choice([0.0, 0.02, 0.06], p=[0.4, 0.4, 0.2]))
    own = float(rng.choice([0.3, 1.0, 3.0], p=[0.35, 0.35, 0.3]))
    ornate = own if ornate is None else ornate
    last = here.final
    syllables: list[ChantSyllable] = []
    words = _words(rng, n_syllables)
    while words:
        n = min(len(words), int(rng.integers(5, 13)))
        flat = bool(rng.random() < min(0.8, here.flat_p * flats))
        lozenges = bool(rng.random() < 0.02)  # recited on lozenges
        goal = here.final if n == len(words) or rng.random() < 0.5 else here.tenor
        for i in range(n):
            text, wordpos = words[i]
            target = _target(here, i / max(1, n - 1), goal)
            sizes = _sizes(rng, melismatic)
            neumes = []
            for size in sizes:
                degrees = _place(rng, here, last, target, size)
                last = degrees[-1]
                neumes.append(degrees)
            if n == len(words) and i == n - 1:
                neumes[-1] = _close(neumes[-1], here.final)
                last = here.final
            syllables.append(ChantSyllable(text, wordpos, _label_all(rng, neumes, flat, lozenges, ornate)))
        words = words[n:]
    return Chant(number, here.final, tuple(syllables))


def _words(rng: np.random.Generator, n_syllables: int) -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    while len(out) < n_syllables:
        (word,) = sample_latin(rng, 1)
        word = word[: n_syllables - len(out)]
        for i, text in enumerate(word):
            place = "s" if len(word) == 1 else "i" if i == 0 else "t" if i == len(word) - 1 else "m"
            out.append((text, place))
    return out


def _target(mode: Mode, progress: float, goal: int) -> float:
    """Where the melody is drawn to at some point of a phrase, 0..1."""
    return float(
        np.interp(progress, [0.0, 0.3, 0.7, 1.0], [mode.final + 1, mode.tenor, mode.tenor - 0.5, goal])
    )


def _sizes(rng: np.random.Generator, melismatic: float) -> list[int]:
    """Sizes of the neumes on one syllable; now and then a melisma of up to 25 notes."""
    draw = [1 + int(rng.choice(len(_SIZE_P), p=_SIZE_P))]
    if rng.random() < melismatic:
        left = int(rng.integers(5, 25)) - draw[0]
        while left > 0:
            draw.append(min(left, 1 + int(rng.choice(len(_SIZE_P), p=(0.2, 0.34, 0.26, 0.11, 0.06, 0.03)))))
            left -= draw[-1]
    elif rng.random() < 0.08:
        draw.append(1 + int(rng.choice(3)))
    return draw


def _place(rng: np.random.Generator, mode: Mode, last: int, target: float, size: int) -> list[int]:
    """Degrees of a neume: a contour, and the start that suits what came before."""
    contours = _CONTOURS[size]
    weights = np.array(list(contours.values()))
    contour = list(contours)[int(rng.choice(len(weights), p=weights / weights.sum()))]
    moves = [0]
    for way in contour:
        leap = 1 + int(rng.choice(len(_LEAP_P), p=_LEAP_P))
        if moves[-1] != 0 and leap > 2:
            leap = 1  # no two leaps run on
        moves.append({"U": leap, "D": -leap, "S": 0}[way])
    shape = np.cumsum(moves)
    starts = np.arange(last - 4, last + 5)
    inside = (starts + shape.min() >= mode.low - 1) & (starts + shape.max() <= mode.high + 1)
    if not inside.any():
        return [int(np.clip(last, mode.low, mode.high))] * size
    near = np.array([_STEP_WEIGHT[abs(int(s) - last)] for s in starts])
    pull = np.exp(-0.5 * ((starts + shape.mean() - target) / 1.8) ** 2) + 0.02
    p = near * pull * inside
    start = int(rng.choice(starts, p=p / p.sum()))
    return [start + int(s) for s in shape]


def _close(degrees: list[int], final: int) -> list[int]:
    """End a neume on the final, without bending its contour more than needed."""
    shift = final - degrees[-1]
    if len(degrees) == 1 or abs(shift) <= 2:
        return [d + shift for d in degrees]
    return [*degrees[:-1], final]


def _label_all(
    rng: np.random.Generator, neumes: list[list[int]], flat: bool, lozenges: bool, ornate: float
) -> tuple[ChantNeume, ...]:
    out = []
    for degrees in neumes:
        labels = _labels(rng, degrees, ornate)
        if lozenges and len(degrees) == 1:
            labels = ["inclinatum"]
        notes = [
            Note(degree, -1 if flat and degree == B_DEGREE else 0, label)
            for degree, label in zip(degrees, labels, strict=True)
        ]
        out.append(ChantNeume(tuple(notes)))
    return tuple(out)


def _labels(rng: np.random.Generator, degrees: list[int], ornate: float) -> list[str]:
    """Heads for a contour, as scribes choose them; obliques in falling pairs.

    `ornate` multiplies the share of quilismata, strophae, orisci and liquescents.
    """
    n = len(degrees)
    moves = [b - a for a, b in pairwise(degrees)]
    if n == 1:
        rare = np.array([0.014, 0.004, 0.004]) * ornate
        p = [*(np.array([0.76, 0.24]) * (1 - rare.sum())), *rare]
        return [str(rng.choice(["punctum", "virga", "liquescent", "stropha", "oriscus"], p=p))]
    labels = ["punctum"] * n
    _label_repeats(rng, labels, moves, ornate)
    _label_falls(rng, labels, moves)
    for i in range(1, n - 1):
        if (
            labels[i] == "punctum"
            and 0 < moves[i - 1] <= 2
            and moves[i] > 0
            and rng.random() < min(0.75, 0.3 * ornate)
        ):
            labels[i] = "quilisma" if rng.random() < 0.75 else "oriscus"
    if labels[-1] == "punctum":
        if rng.random() < 0.05 * ornate:
            labels[-1] = "liquescent"
        elif moves[-1] > 0 and rng.random() < 0.12:
            labels[-1] = "virga"
        elif moves[-1] == 1 and rng.random() < 0.025 * ornate:
            labels[-1] = "oriscus"
    return labels


def _label_repeats(rng: np.random.Generator, labels: list[str], moves: list[int], ornate: float) -> None:
    i = 0
    while i < len(moves):
        if moves[i] != 0:
            i += 1
            continue
        end = i
        while end < len(moves) and moves[end] == 0:
            end += 1
        rare = min(0.75, 0.25 * ornate)
        p = [0.6 * rare, 0.4 * rare, 0.25 * (1 - rare), 0.75 * (1 - rare)]
        kind = str(rng.choice(["stropha", "oriscus", "virga", "punctum"], p=p))
        for k in range(i, end + 1):
            if kind != "oriscus" or k == end:
                labels[k] = kind
        i = end


def _label_falls(rng: np.random.Generator, labels: list[str], moves: list[int]) -> None:
    """Inclinata for running falls, obliques for falls that rise again, some for plain falls."""
    i = 0
    while i < len(moves):
        if moves[i] >= 0 or labels[i] != "punctum":
            i += 1
            continue
        end = i
        while end < len(moves) and moves[end] < 0:
            end += 1
        run = end - i  # falling moves from note i to note end
        rises_after = end < len(moves) and moves[end] > 0
        if run >= 2 and rng.random() < 0.72:
            labels[i] = "virga" if i == 0 and rng.random() < 0.55 else "punctum"
            labels[i + 1 : end + 1] = ["inclinatum"] * run
        elif run == 1 and rng.random() < (0.55 if rises_after else 0.12):
            labels[i] = labels[i + 1] = "oblique"
        elif run == 2 and rng.random() < 0.35:
            labels[i + 1] = labels[i + 2] = "oblique"
        elif run == 1 and rng.random() < 0.03:
            labels[i], labels[i + 1] = "virga", "inclinatum"
        i = end


def with_label(note: Note, label: str) -> Note:
    """The same note with the label its head was really drawn with."""
    return replace(note, label=label)


def choose_clef(
    degrees: Sequence[int], n_lines: int, rng: np.random.Generator, rare: float = 1.0
) -> tuple[str, int]:
    """Choose a clef so that a stretch of melody fits its staff, mostly about the middle of it.

    Parameters
    ----------
    degrees : sequence of int
        Of the notes to be written; may be empty.
    n_lines : int
        1 to 5.
    rng : numpy.random.Generator
        C far more often than F, other letters rarely.
    rare : float
        Factor on letters other than C and F; above 5, F and the bottom line come up more often too,
        and the range may lie anywhere on the staff.

    Returns
    -------
    label : str
        "clef_c", "clef_f", ...
    line : int
        Counted from 1 at the bottom.

    Raises
    ------
    ValueError
        If there is no line to stand on.
    """
    if n_lines < 1:
        raise ValueError("a clef needs a line to stand on")
    low, high = (min(degrees), max(degrees)) if degrees else (24, 28)
    options, weights = [], []
    plain = rare < _MANY_LETTERS
    for letter, degree in CLEF_DEGREES.items():
        favour = {"c": 1.0, "f": 0.4 if plain else 0.8}.get(letter, 0.022 * rare)
        for line in range(1, n_lines + 1):
            bottom = degree - 2 * (line - 1)
            over = max(0, bottom - 1 - low) + max(0, high - (bottom + 2 * n_lines - 1))
            edge = 0.35 if line == 1 and letter in "cf" and n_lines > 2 and plain else 1.0
            off = (low + high) / 2 - (bottom + n_lines - 1)
            middle = np.exp(-0.5 * (off / _OFF_MIDDLE) ** 2) if plain else 1.0
            options.append((f"clef_{letter}", line))
            weights.append(favour * edge * middle * np.exp(-(2.5 if plain else 1.2) * over))
    p = np.array(weights)
    return options[int(rng.choice(len(options), p=p / p.sum()))]
