"""Words of a given text to the word boxes of the lyric lines, by order and width.

A word may be written in several boxes, because scribes spread syllables to make room for notes, and
several words may stand in one box. So runs of words are matched with runs of boxes, one of
the two of length one, at the least total cost (dynamic programming): the difference of width, a
little for every further word or box, more for a word or a box left over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from neumary.lyric_text import TextLine, Word, WordPos, to_words
from neumary.types import Box, Page, Remark

_LONGEST: Final = 6  # boxes in a word, words in a box
_JOIN: Final = 0.12  # cost of every further one, in widths of a middling word
_LEFT_OVER: Final = 0.35  # cost of leaving one out, beside its width
_NARROW, _WIDE, _BLANK = 0.55, 1.55, 0.8  # widths of letters, against that of an n; common practice
_NARROW_LETTERS: Final = frozenset("iljftr.,:;·'ſ")
_WIDE_LETTERS: Final = frozenset("mwæœ")
_VOWELS: Final = frozenset("aeiouyæœę")
_NEAR_BREAK: Final = 1.2  # letters: a syllable's end so near to a gap lies at the gap
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
        matches = match_words([word_width(word) for word in chosen], [_width(box) for _, box in places])
        for matched_words, matched_boxes in matches:
            for staff, piece in _lay([chosen[w] for w in matched_words], [places[b] for b in matched_boxes]):
                pieces[staff].append(piece)
        laid = sum(len(some) for some, there in matches if there)
        if laid < _POOR * len(chosen):
            where = staves[0] if len(staves) == 1 else ""
            said = f"Only {laid} of {len(chosen)} words given found a place under {where or 'the staves'}."
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


def word_width(word: Word) -> float:
    """Give the width of a word as written, in widths of an n."""
    return sum(_text_width(syllable) for syllable in word.syllables)


def _text_width(text: str) -> float:
    return sum(_letter_width(char) for char in text)


def _letter_width(char: str) -> float:
    if char.lower() in _NARROW_LETTERS:
        return _NARROW
    return _WIDE if char.lower() in _WIDE_LETTERS else 1.0 if char.isalpha() else 0.4


def match_words(
    words: Sequence[float], boxes: Sequence[float]
) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Match words with boxes, both in order.

    Parameters
    ----------
    words : sequence of float
        Widths in letters.
    boxes : sequence of float
        Widths in px.

    Returns
    -------
    list of (indices of words, indices of boxes)
        Together every word and every box exactly once, in order. One side holds one, or none
        where the other is left over.
    """
    if not words or not boxes:
        return [((i,), ()) for i in range(len(words))] + [((), (i,)) for i in range(len(boxes))]
    scale = sum(boxes) / sum(words)
    matches = []
    for _ in range(3):  # what is left over must not spoil the scale
        matches = _match(np.array(words) * scale, np.array(boxes))
        paired = [(w, b) for w, b in matches if w and b]
        if not paired:
            break
        scale = sum(boxes[i] for _, b in paired for i in b) / sum(words[i] for w, _ in paired for i in w)
    return matches


def _match(words: np.ndarray, boxes: np.ndarray) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    unit = float(words.mean())
    n_words, n_boxes = len(words), len(boxes)
    w_sum, b_sum = np.append(0, np.cumsum(words)), np.append(0, np.cumsum(boxes))
    best = np.full((n_words + 1, n_boxes + 1), np.inf)
    step = np.zeros((n_words + 1, n_boxes + 1, 2), dtype=np.int64)
    best[0, 0] = 0.0
    shapes = [
        (1, 0),
        (0, 1),
        *((1, k) for k in range(1, _LONGEST + 1)),
        *((k, 1) for k in range(2, _LONGEST + 1)),
    ]
    for i in range(n_words + 1):
        for j in range(n_boxes + 1):
            for di, dj in shapes:
                if di > i or dj > j:
                    continue
                wide = abs(w_sum[i] - w_sum[i - di] - b_sum[j] + b_sum[j - dj]) / unit
                cost = wide + (_LEFT_OVER if not di or not dj else _JOIN * (di + dj - 2))
                if best[i - di, j - dj] + cost < best[i, j]:
                    best[i, j] = best[i - di, j - dj] + cost
                    step[i, j] = di, dj
    matches = []
    i, j = n_words, n_boxes
    while i or j:
        di, dj = (int(n) for n in step[i, j])
        matches.append((tuple(range(i - di, i)), tuple(range(j - dj, j))))
        i, j = i - di, j - dj
    return matches[::-1]


def _lay(words: list[Word], places: list[tuple[str, Box]]) -> list[tuple[str, Piece]]:
    """Lay the syllables of matched words into their boxes, in proportion to their letters."""
    if not words:
        return [(staff, Piece("", "", box, box.left)) for staff, box in places]
    if not places:
        return []
    spans, at = [], 0.0
    for word in words:
        for syllable, position in zip(word.syllables, word.positions, strict=True):
            spans.append((syllable, position, at, at + _text_width(syllable)))
            at = spans[-1][3]
        at += _BLANK
    total = at - _BLANK
    ends = np.append(0.0, np.cumsum([_width(box) for _, box in places]))
    letters = ends * total / ends[-1]  # where each box begins and ends, in letters
    letters = _snapped(letters, [span[2] for span in spans[1:]])
    laid = []
    for syllable, position, start, end in spans:
        middle = (start + end) / 2
        home = int(np.clip(np.searchsorted(letters, middle, side="right") - 1, 0, len(places) - 1))
        staff, box = places[home]
        left, right = (_column(letters, home, box, at) for at in (start, end))
        vowel = _column(letters, home, box, start + _before_vowel(syllable))
        inner = Box(box.top, round(left), box.bottom, max(round(right), round(left) + 1))
        laid.append((staff, Piece(syllable, position, inner, vowel)))
    return laid


def _snapped(letters: np.ndarray, starts: list[float]) -> np.ndarray:
    """Move inner box edges to the syllable's beginning nearest to them, each to its own."""
    moved = letters.copy()
    free = list(starts)
    for number in range(1, len(letters) - 1):
        near = min(free, key=lambda at: abs(at - letters[number]), default=None)
        if near is None or abs(near - letters[number]) > _NEAR_BREAK or near <= moved[number - 1]:
            continue
        moved[number] = near
        free = [at for at in free if at > near]
    ordered = all(after > before for before, after in pairwise(moved))
    return moved if ordered else letters


def _column(letters: np.ndarray, home: int, box: Box, at: float) -> float:
    share = (at - letters[home]) / max(letters[home + 1] - letters[home], 1e-6)
    return box.left + float(np.clip(share, 0.0, 1.0)) * _width(box)


def _before_vowel(syllable: str) -> float:
    """Letters up to the middle of the first vowel (of qu- the one after it)."""
    low = syllable.lower()
    start = 2 if low.startswith("qu") and len(low) > 2 else 0
    at = next((n for n in range(start, len(low)) if low[n] in _VOWELS), 0)
    if low[at : at + 1] in ("u", "i") and at == 0 and low[1:2] and low[1] in _VOWELS:
        at = 1
    return _text_width(syllable[:at]) + _letter_width(syllable[at]) / 2 if syllable else 0.0
