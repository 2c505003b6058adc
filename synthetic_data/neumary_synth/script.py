"""The lyric hand: letters written with a broad nib, and invented Latin-like words.

A `Script` has a nib, proportions and a kind (textura, rotunda, bookhand); recipes of
strokes come from `letters`. Each letter is written a few times and kept, as a scribe's
letters repeat, so a page of text costs little.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from neumary_synth.letters import CAPITALS, LETTERS, STEMS, Stroke
from neumary_synth.pen import F64, U8, Flow, Ink, Nib, bend

KINDS = ("textura", "rotunda", "bookhand")
_VARIANTS = 3
_MACRON, _TILDE = "\u0304", "\u0303"
_PLAIN = {"æ": "ę", "Æ": "E", "–": "-", "—": "-", "'": ",", "!": ".", "?": ".", "ę": "e"}


@dataclass(frozen=True, slots=True)
class Script:
    """A lyric hand.

    Lengths are in x-heights unless the name says otherwise.

    Attributes
    ----------
    name, seed : str, int
    kind : str
        One of `KINDS`.
    nib, nib_angle_deg, edge : float
        Writing edge, its angle, and the width of its hairlines.
    minim : float
        Distance between the minims of an "n".
    gap, word_gap : float
        Between letters and between words, measured between minims.
    slant : float
        Shear of upright strokes, top to the right.
    broken : bool
        Curves written as straight strokes.
    ascender : float
        Factor on the height of what stands above the x-height; tall ones reach into the staff.
    wobble : float
        Irregularity of every stroke's points.
    long_s, round_r, uncial_d : bool
        Which of two forms of a letter is used where the script has both.
    ink, ink_spread, grain, dry : float
        Load of the pen, its spread from syllable to syllable, and how evenly ink lies.
    """

    name: str
    seed: int
    kind: str
    nib: float
    nib_angle_deg: float
    edge: float
    minim: float
    gap: float
    word_gap: float
    slant: float
    broken: bool
    ascender: float
    wobble: float
    long_s: bool
    round_r: bool
    uncial_d: bool
    ink: float
    ink_spread: float
    grain: float
    dry: float


def sample_script(seed: int) -> Script:
    """Sample a lyric hand; the same seed gives the same hand."""
    rng = np.random.default_rng([seed, 23])
    kind = str(rng.choice(KINDS, p=[0.45, 0.3, 0.25]))
    nib, angle, minim, gap = {
        "textura": ((0.28, 0.42), (32, 46), (0.46, 0.58), (0.44, 0.56)),
        "rotunda": ((0.25, 0.38), (22, 38), (0.5, 0.66), (0.42, 0.58)),
        "bookhand": ((0.15, 0.27), (18, 36), (0.55, 0.78), (0.48, 0.7)),
    }[kind]
    minim_spaces = float(rng.uniform(*minim))
    return Script(
        name=f"{kind}-{seed}",
        seed=seed,
        kind=kind,
        nib=float(rng.uniform(*nib)),
        nib_angle_deg=float(rng.uniform(*angle)),
        edge=float(rng.uniform(0.03, 0.07)),
        minim=minim_spaces,
        gap=float(rng.uniform(*gap)),
        word_gap=float(rng.uniform(0.8, 1.4)),
        slant=float(rng.normal(0, 0.03)) if kind != "bookhand" else float(rng.normal(0.04, 0.05)),
        broken=kind == "textura" and bool(rng.random() < 0.75),
        ascender=float(rng.uniform(0.8, 1.05)) if rng.random() < 0.82 else float(rng.uniform(1.1, 1.8)),
        wobble=float(rng.uniform(0.008, 0.03)),
        long_s=bool(rng.random() < 0.85),
        round_r=bool(rng.random() < 0.6),
        uncial_d=bool(rng.random() < (0.35 if kind == "bookhand" else 0.85)),
        ink=float(rng.uniform(0.7, 1.0)),
        ink_spread=float(rng.uniform(0.02, 0.15)),
        grain=float(rng.uniform(0.0, 0.35)),
        dry=float(rng.uniform(0.0, 0.2)) if rng.random() < 0.4 else 0.0,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Written:
    """One written letter: its patch, the patch's place against (baseline, col), its width, px."""

    patch: U8
    top: int
    left: int
    advance: float


def draw_text(
    mask: U8,
    script: Script,
    rng: np.random.Generator,
    text: str,
    row_baseline: float,
    col: float,
    xheight_px: float,
) -> tuple[list[tuple[str, float, float]], float]:
    """Write text on a baseline, in place.

    Parameters
    ----------
    mask : ndarray of uint8, shape (H, W)
        Ink coverage, 0 none .. 255 full; what lies outside is clipped.
    script : Script
    rng : numpy.random.Generator
    text : str
        Lower case, capitals, spaces, points, hyphen; macron or tilde as combining marks or in
        composed letters. A character without a recipe leaves a letter's space.
    row_baseline, col : float
        Baseline, and left edge of the first letter, px.
    xheight_px : float

    Returns
    -------
    letters : list of (letter, left, right)
        One entry per character with its marks, in order, px.
    right : float
        Right edge of the last letter, px.
    """
    load = float(np.clip(rng.normal(script.ink, script.ink_spread), 0.4, 1))
    size = max(4.0, round(xheight_px * 4) / 4)
    half_nib = 0.5 * script.nib * np.cos(np.deg2rad(script.nib_angle_deg))
    letters: list[tuple[str, float, float]] = []
    at = col + half_nib * size
    drift = 0.0
    for letter, form, mark in _forms(script, text):
        if letter == " ":
            width = script.word_gap * size
            letters.append((letter, at - half_nib * size, at - half_nib * size + width))
            at += width
            continue
        written = _write(script, form, mark, int(rng.integers(_VARIANTS)), size)
        drift = 0.8 * drift + float(rng.normal(0, 0.015)) * size
        _blot(mask, written, row_baseline + drift, at, load * float(rng.uniform(0.93, 1.07)))
        letters.append((letter + mark, at - half_nib * size, at + written.advance + half_nib * size))
        at += written.advance + script.gap * size * float(rng.uniform(0.92, 1.08))
    return letters, letters[-1][2] if letters else col


def _forms(script: Script, text: str) -> list[tuple[str, str, str]]:
    """(letter as given, form written, mark above) for each character."""
    out: list[tuple[str, str, str]] = []
    plain = unicodedata.normalize("NFD", text)
    for i, letter in enumerate(plain):
        if unicodedata.combining(letter):
            if out and letter in (_MACRON, _TILDE):
                out[-1] = (out[-1][0], out[-1][1], letter)
            continue
        form = _PLAIN.get(letter, letter)
        last = i + 1 == len(plain) or not plain[i + 1].isalpha()
        if form == "s" and script.long_s and not last:
            form = "ſ"
        elif form == "r" and script.round_r and out and out[-1][1] in ("o", "d"):
            form = "ꝛ"
        elif form == "d" and not script.uncial_d:
            form = "đ"
        out.append((letter, form, ""))
    return out


@lru_cache(maxsize=1024)
def _write(script: Script, form: str, mark: str, variant: int, xheight_px: float) -> _Written:
    """Write one letter on a patch of its own."""
    width, strokes = CAPITALS.get(form) or LETTERS.get(form) or (0.6, [])
    minim = script.minim if form not in CAPITALS else script.minim * 1.05
    if not strokes:
        return _Written(np.zeros((1, 1), np.uint8), 0, 0, width * minim * xheight_px)
    rng = np.random.default_rng([script.seed, 29, ord(form), variant])
    nib = Nib(script.nib * xheight_px, script.nib_angle_deg, max(0.7, script.edge * xheight_px))
    ink = Ink()
    for stroke in strokes:
        ink.nib(_path(script, stroke, minim, rng) * xheight_px, nib, float(rng.uniform(0.94, 1)))
    if mark:
        rise = -1.28 if form not in CAPITALS and form not in "bdhklfđſ" else -1.8
        lift = 0.07 if mark == _TILDE else 0.0
        bar = [(rise, -0.25), (rise - lift, 0.2 * width), (rise + lift, 0.8 * width), (rise, width + 0.25)]
        flat = Nib(0.8 * nib.width_px, 60.0, nib.edge_px)
        ink.nib(_path(script, bar, minim, rng) * xheight_px, flat, 0.95)
    top, left, bottom, right = ink.box()
    origin = (2 - int(np.floor(top)), 2 - int(np.floor(left)))
    canvas = np.zeros((int(np.ceil(bottom)) + 3 + origin[0], int(np.ceil(right)) + 3 + origin[1]), np.uint8)
    ink.lay(canvas, rng, Flow(0.0, script.grain, script.dry, max(2.0, 0.35 * xheight_px)), shift=origin)
    canvas.flags.writeable = False
    return _Written(canvas, -origin[0], -origin[1], width * minim * xheight_px)


def _path(script: Script, stroke: Stroke, minim: float, rng: np.random.Generator) -> F64:
    """Path of the nib's middle in x-heights."""
    upright = isinstance(stroke, str)
    if isinstance(stroke, str):
        points = np.array(STEMS[script.kind][stroke[0]])
        points[:, 1] = points[:, 1] + float(stroke[1:]) * minim
    else:
        points = np.array(stroke) * [1.0, minim]
    above = points[:, 0] < -1.05
    points[above, 0] = -1.05 + (points[above, 0] + 1.05) * script.ascender
    points = points + rng.normal(0, script.wobble, points.shape)
    points[:, 1] -= script.slant * points[:, 0]
    if upright or script.broken or len(points) < 3:
        return points
    return bend(points, 5)


def _blot(mask: U8, written: _Written, row: float, col: float, load: float) -> None:
    top, left = round(row) + written.top, round(col) + written.left
    height, width = written.patch.shape
    t, le = max(0, top), max(0, left)
    b, r = min(mask.shape[0], top + height), min(mask.shape[1], left + width)
    if t >= b or le >= r:
        return
    patch = written.patch[t - top : b - top, le - left : r - left]
    under = mask[t:b, le:r]
    np.maximum(under, cv2.convertScaleAbs(patch, alpha=min(1.0, load)), out=under)


_ONSETS = ("b", "c", "d", "f", "g", "l", "m", "n", "p", "r", "s", "t", "v", "d", "l", "m", "n", "r", "s", "t",
           "", "", "qu", "pr", "tr", "gr", "st", "cl", "h")  # fmt: skip
_VOWELS = ("a", "e", "i", "o", "u", "a", "e", "i")
_CODAS = ("", "", "", "", "", "", "", "n", "r", "s", "l", "m")
_ENDINGS = ("us", "um", "a", "am", "e", "em", "is", "it", "et", "at", "unt", "o",
            "i", "ae", "or", "ens", "as", "es", "ibus", "ur")  # fmt: skip
_SHORT = ("et", "in", "ad", "non", "qui", "de", "ut", "cum", "per", "est", "te",
          "me", "a", "ex", "ab", "nos", "o", "si")  # fmt: skip


def sample_latin(rng: np.random.Generator, n_words: int) -> list[list[str]]:
    """Invent Latin-like words from a small syllable grammar.

    Parameters
    ----------
    rng : numpy.random.Generator
    n_words : int

    Returns
    -------
    list of list of str
        Words as lists of syllables, lower case.
    """
    return [_word(rng) for _ in range(n_words)]


def _word(rng: np.random.Generator) -> list[str]:
    if rng.random() < 0.22:
        return [_pick(rng, _SHORT)]
    n = int(rng.choice([2, 3, 4, 5], p=[0.4, 0.38, 0.17, 0.05]))
    word = []
    for _ in range(n - 1):
        word.append(_pick(rng, _ONSETS) + _pick(rng, _VOWELS) + _pick(rng, _CODAS))
    ending = _pick(rng, _ENDINGS)
    onset = _pick(rng, _ONSETS[:20])
    if ending == "ibus":
        return [*word, onset + "i", "bus"]
    return [*word, onset + ending]


def _pick(rng: np.random.Generator, options: tuple[str, ...]) -> str:
    return options[int(rng.integers(len(options)))]
