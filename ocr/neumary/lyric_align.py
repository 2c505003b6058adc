"""Syllables of a given text to the boxes of the lyric lines, by order and width.

Scribes part the syllables of a word to make room for the notes, and write words close: a box holds
several syllables, of one word or more, or rarely a part of one. So runs of syllables are matched with
boxes at the least total cost (dynamic programming): the difference of width, a little for a word that begins
within a box and for a box that ends within a word, more for what is left over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary.lyric_text import TextLine, Word, WordPos, to_words
from neumary.types import Box, Page, Remark

# Costs in widths of a letter, chosen on drawn pages.
_LEFT_OVER: Final = 2.0  # a box or a syllable left over, beside its width
_MERGED: Final = 0.5  # a word begun within a box: a gap was missed
_BROKEN: Final = 0.3  # a box that ends within a word
_SPLIT: Final = 1.0  # a syllable in two boxes
_SHAPES: Final = ((0, 1), (1, 0), (1, 2), (1, 3), *((k, 1) for k in range(1, 13)))
"""Syllables and boxes that can belong together."""

_STRETCHES: Final = (1.0, 0.85, 1.18, 0.7, 1.4)
"""Letters per px to start from, as multiples of what all syllables in all boxes would give."""

_SLACK: Final = 0.25
_NARROW, _WIDE, _BLANK = 0.55, 1.55, 0.8  # widths of letters, against that of an n; common practice
_NARROW_LETTERS: Final = frozenset("iljftr.,:;·'ſ")
_WIDE_LETTERS: Final = frozenset("mwæœ")
_VOWELS: Final = frozenset("aeiouyæœę")
_POOR: Final = 0.75  # a text fits if so much of it found boxes


@dataclass(frozen=True, slots=True)
class Piece:
    """A syllable, or a box nobody has read, and where it stands.

    Attributes
    ----------
    text : str
    wordpos : str
    box : Box
    vowel : float
        Column (px) where its vowel is expected; of an unread box its left edge.
    """

    text: str
    wordpos: WordPos
    box: Box
    vowel: float


def lay_words(
    page: Page, boxes: dict[str, list[Box]], lines: list[TextLine]
) -> tuple[dict[str, list[Piece]], list[Remark]]:
    """Lay a text into the boxes of the lyric lines.

    Parameters
    ----------
    page : Page
    boxes : dict of str to list of Box
        Boxes of each staff id, left to right, staves in reading order.
    lines : list of TextLine
        Lines with a place go to the staff above them, others are left out; lines without go one to a
        staff where there are as many as staves with lyrics, else they are running text.

    Returns
    -------
    dict of str to list of Piece
        For every staff id; boxes without words keep their place without text.
    list of Remark
        Where the text does not fit.
    """
    words = to_words(lines)
    with_lyrics = [staff for staff in boxes if boxes[staff]]
    pieces: dict[str, list[Piece]] = {staff: [] for staff in boxes}
    remarks: list[Remark] = []
    for staves, chosen in _portions(page, boxes, with_lyrics, lines, words):
        places = [(staff, box) for staff in staves for box in boxes[staff]]
        atoms = _syllables(chosen)
        matches = match_syllables(
            [atom.width for atom in atoms],
            [atom.starts for atom in atoms],
            [_width(box) for _, box in places],
        )
        for some, there in matches:
            for staff, piece in _lay([atoms[i] for i in some], [places[i] for i in there]):
                pieces[staff].append(piece)
        laid = sum(len(some) for some, there in matches if there)
        if laid < _POOR * len(atoms):
            where = staves[0] if len(staves) == 1 else ""
            said = f"Only {laid} of {len(atoms)} syllables given found a place under {where or 'the staves'}."
            remarks.append(Remark(code="text-misfit", text=said, staff=where))
    return {staff: sorted(found, key=lambda p: p.box.left) for staff, found in pieces.items()}, remarks


def _portions(
    page: Page, boxes: dict[str, list[Box]], with_lyrics: list[str], lines: list[TextLine], words: list[Word]
) -> list[tuple[list[str], list[Word]]]:
    """Which words go below which staves."""
    by_line = [[word for word in words if word.line == number] for number in range(len(lines))]
    if any(line.box is not None for line in lines):
        home = {number: _staff_of(line.box, boxes) for number, line in enumerate(lines) if line.box}
        return [
            (
                [staff],
                [word for number, words in enumerate(by_line) if home.get(number) == staff for word in words],
            )
            for staff in with_lyrics
        ]
    written = [some for some in by_line if some]
    for staves in (with_lyrics, [staff.id for staff in page.staves]):
        if len(written) == len(staves):
            return [([staff], some) for staff, some in zip(staves, written, strict=True)]
    return [(with_lyrics, words)] if with_lyrics else []


def _staff_of(line: Box, boxes: dict[str, list[Box]]) -> str:
    """The staff whose lyric line a text line covers best; "" if none to a third."""
    best, best_share = "", 1 / 3
    for staff, words in boxes.items():
        covered = sum(_overlap(line, word) for word in words)
        whole = sum((word.bottom - word.top) * _width(word) for word in words)
        if whole and covered / whole > best_share:
            best, best_share = staff, covered / whole
    return best


def _overlap(one: Box, other: Box) -> float:
    tall = min(one.bottom, other.bottom) - max(one.top, other.top)
    wide = min(one.right, other.right) - max(one.left, other.left)
    return float(max(tall, 0) * max(wide, 0))


def _width(box: Box) -> float:
    return float(box.right - box.left)


@dataclass(frozen=True, slots=True)
class _Syllable:
    text: str
    wordpos: WordPos
    starts: bool  # a word, or the part of it that stands in its line
    width: float  # letters


def _syllables(words: list[Word]) -> list[_Syllable]:
    return [
        _Syllable(text, position, number == 0, _text_width(text))
        for word in words
        for number, (text, position) in enumerate(zip(word.syllables, word.positions, strict=True))
    ]


def _text_width(text: str) -> float:
    return sum(_letter_width(char) for char in text)


def _letter_width(char: str) -> float:
    if char.lower() in _NARROW_LETTERS:
        return _NARROW
    return _WIDE if char.lower() in _WIDE_LETTERS else 1.0 if char.isalpha() else 0.4


def match_syllables(
    widths: Sequence[float], starts: Sequence[bool], boxes: Sequence[float]
) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Match syllables with boxes, both in order.

    Parameters
    ----------
    widths : sequence of float
        Widths of the syllables as written, in letters.
    starts : sequence of bool
        Whether a word begins with the syllable.
    boxes : sequence of float
        Widths, px.

    Returns
    -------
    list of (indices of syllables, indices of boxes)
        Together every syllable and every box exactly once, in order. One side holds one, or none
        where the other is left over.
    """
    if not widths or not boxes:
        return [((i,), ()) for i in range(len(widths))] + [((), (i,)) for i in range(len(boxes))]
    guess = (sum(widths) + _BLANK * (sum(starts) - 1) / 2) / sum(boxes)
    best: tuple[float, list[tuple[tuple[int, ...], tuple[int, ...]]]] = (np.inf, [])
    for stretch in _STRETCHES:
        scale = guess * stretch  # letters per px
        for _ in range(2):  # what is left over must not spoil the scale
            cost, matches = _match(widths, starts, [box * scale for box in boxes])
            if cost < best[0]:
                best = cost, matches
            paired = [(some, there) for some, there in matches if some and there]
            if not paired:
                break
            letters = sum(widths[i] for some, _ in paired for i in some)
            scale = letters / sum(boxes[i] for _, there in paired for i in there)
    return best[1]


def _match(
    widths: Sequence[float], starts: Sequence[bool], boxes: Sequence[float]
) -> tuple[float, list[tuple[tuple[int, ...], tuple[int, ...]]]]:
    """Cheapest match for boxes measured in letters, and its cost."""
    n, m = len(widths), len(boxes)
    width = np.append(0.0, np.cumsum(widths))
    blanks = np.append(0, np.cumsum(starts))  # words begun before a syllable
    edge = np.append(0.0, np.cumsum(boxes))
    cost = np.full((n + 1, m + 1), np.inf)
    back: dict[tuple[int, int], tuple[int, int]] = {}
    cost[0, 0] = 0.0
    slack = max(n, m) * _SLACK + 8  # running text: far from the diagonal nothing fits
    for i in range(n + 1):
        for j in range(m + 1):
            if abs(i * m - j * n) > slack * max(m, 1):
                continue
            for di, dj in _SHAPES:
                if di > i or dj > j or cost[i - di, j - dj] == np.inf:
                    continue
                letters = width[i] - width[i - di]
                room = edge[j] - edge[j - dj]
                if not di or not dj:
                    new = _LEFT_OVER + letters + room
                else:
                    inner = int(blanks[i] - blanks[i - di + 1])  # words begun within the box
                    broken = i < n and not starts[i]
                    new = abs(letters + _BLANK * inner - room) + _MERGED * inner + _BROKEN * broken
                    new += _SPLIT * (dj - 1)
                if cost[i - di, j - dj] + new < cost[i, j]:
                    cost[i, j] = cost[i - di, j - dj] + new
                    back[i, j] = di, dj
    matches = []
    i, j = n, m
    while (i, j) in back:
        di, dj = back[i, j]
        matches.append((tuple(range(i - di, i)), tuple(range(j - dj, j))))
        i, j = i - di, j - dj
    return float(cost[n, m]), matches[::-1]


def _lay(syllables: list[_Syllable], places: list[tuple[str, Box]]) -> list[tuple[str, Piece]]:
    """Lay matched syllables into their boxes, in proportion to their letters."""
    if not syllables:
        return [(staff, Piece("", "", box, box.left)) for staff, box in places]
    if not places:
        return []
    staff, box = places[0]
    here = [other for other_staff, other in places if other_staff == staff]
    box = Box(
        min(b.top for b in here),
        min(b.left for b in here),
        max(b.bottom for b in here),
        max(b.right for b in here),
    )
    spans, at = [], 0.0
    for number, syllable in enumerate(syllables):
        at += _BLANK if number and syllable.starts else 0.0
        spans.append((at, at + syllable.width))
        at += syllable.width
    pixels = _width(box) / at
    laid = []
    for syllable, (start, end) in zip(syllables, spans, strict=True):
        left, right = round(box.left + start * pixels), round(box.left + end * pixels)
        vowel = box.left + (start + _before_vowel(syllable.text)) * pixels
        inner = Box(box.top, left, box.bottom, max(right, left + 1))
        laid.append((staff, Piece(syllable.text, syllable.wordpos, inner, vowel)))
    return laid


def _before_vowel(syllable: str) -> float:
    """Letters up to the middle of the first vowel (of qu- the one after it)."""
    low = syllable.lower()
    start = 2 if low.startswith("qu") and len(low) > 2 else 0
    at = next((n for n in range(start, len(low)) if low[n] in _VOWELS), 0)
    if low[at : at + 1] in ("u", "i") and at == 0 and low[1:2] and low[1] in _VOWELS:
        at = 1
    return _text_width(syllable[:at]) + _letter_width(syllable[at]) / 2 if syllable else 0.0
