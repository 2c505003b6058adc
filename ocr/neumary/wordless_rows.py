"""Rows of neumes that have no words under them: where their words would run.

Rows of neumes are looked for over lines of text (`neumary.letter_rows`). Long melismas, and leaves
whose words were never written in, have none; there the neumes themselves, as the leaf network sees
them, make the line that words would run along.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from neumary.letter_rows import USUAL_RISE
from neumary.text_lines import TextLine, text_lines
from neumary.types import F32

_ON: Final = 0.5
# Neumes are smeared so far into a row, and a row is the darkest place so far up and down.
_ALONG_SPACES, _ACROSS_SPACES = 4.0, 0.8
_ALONE_SPACES: Final = 2.5
_ROW_SHARE: Final = 0.6  # of that darkest place
_LEAST_SMEARED: Final = 0.03
_SQUEEZED: Final = 2  # a melody strays so much further from its row than letters from their line
_LEAST_LENGTH_SPACES: Final = 6.0
_LEAST_DOWN, _MOST_DOWN = -1.5, 5.5  # spaces: words so far under what was seen as neumes are the row's
_WORDS_SHARE: Final = 0.25  # of a row's length: so many words are its own
_STUB_SHARE: Final = 0.4  # of a row's length: shorter words in its way are a rubric or a stray
_STUB_SPACES: Final = 2.6


def lines_with_wordless(text: F32, notes: F32, space: float) -> list[TextLine]:
    """Lines of text of a page, and where words would run under rows of neumes that have none.

    Parameters
    ----------
    text, notes : ndarray of float32, shape (h, w)
        Probabilities of text, and of notes or staffless signs, from the leaf network.
    space : float
        Staff space in cells, right within a half.

    Returns
    -------
    list of TextLine
        In no particular order.
    """
    lines = text_lines(text, space)
    bare = [line for line in _rows_of(notes, text, space) if not _has_words(line, lines, space)]
    if not bare:
        return lines
    return [line for line in lines if not _in_the_way(line, bare, space)] + bare


def _rows_of(notes: F32, text: F32, space: float) -> list[TextLine]:
    """Where words would run under each row of neumes, whether or not they do."""
    seen = ((notes > _ON) & (text <= _ON)).astype(np.float32)
    smeared = cv2.GaussianBlur(seen, (0, 0), sigmaX=_ALONG_SPACES * space, sigmaY=_ACROSS_SPACES * space)
    column = np.ones((2 * round(_ALONE_SPACES * space) + 1, 1), np.uint8)
    row = (smeared >= _ROW_SHARE * cv2.dilate(smeared, column)) & (smeared > _LEAST_SMEARED)
    size = (row.shape[1], max(1, row.shape[0] // _SQUEEZED))
    low = cv2.resize(row.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    beside = cv2.dilate(seen, column) > 0
    out = []
    for line in text_lines(np.asarray(low, np.float32), space):
        rows = (line.row_at(line.cols) + 0.5) * row.shape[0] / size[1] - 0.5
        inked = beside[np.clip(np.rint(rows).astype(int), 0, row.shape[0] - 1), line.cols.astype(int)]
        if inked.sum() < _LEAST_LENGTH_SPACES * space:
            continue
        first, last = np.flatnonzero(inked)[[0, -1]]
        kept = slice(first, last + 1)
        out.append(TextLine(line.cols[kept], np.asarray(rows[kept] + USUAL_RISE * space)))
    return out


def _has_words(row: TextLine, lines: Sequence[TextLine], space: float) -> bool:
    """Whether words stand under a good part of the neumes over `row`."""
    length = 0.0
    for line in lines:
        at = line.cols[(line.cols >= row.cols[0]) & (line.cols <= row.cols[-1])]
        if len(at):
            down = line.row_at(at) - row.row_at(at) + USUAL_RISE * space
            length += float(((down >= _LEAST_DOWN * space) & (down <= _MOST_DOWN * space)).sum())
    return length >= _WORDS_SHARE * row.length


def _in_the_way(line: TextLine, rows: Sequence[TextLine], space: float) -> bool:
    """Whether a short line of text stands where longer neumes without words are."""
    middle = (line.cols[0] + line.cols[-1]) / 2
    return any(
        row.cols[0] <= middle <= row.cols[-1]
        and line.length < _STUB_SHARE * row.length
        and abs(float(line.row_at(middle)) - float(row.row_at(middle))) < _STUB_SPACES * space
        for row in rows
    )
