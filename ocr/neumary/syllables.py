"""Syllables: what is sung to which neume.

The rules of the trade: a neume never spreads over two syllables, several neumes may share one, both
run from left to right, and a syllable's first note stands about above its vowel. Without a text the boxes
of the lyric line stand for themselves: words or parts of words, with nothing claimed about what they say.
With a text its words are aligned to the boxes by order and width, parted into syllables, and laid into
the boxes letter by letter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.lyric_align import Piece, lay_words
from neumary.lyric_text import TextLine
from neumary.order import melody_events
from neumary.types import Box, Page, Remark, Staff, Syllable

_SKIP_SPACES: Final = 2.5  # cost of a syllable without a neume, as so much distance
_EARLY_SPACES: Final = 4.0  # a neume so far left of a staff's first syllable goes on with the one before
_BEYOND: Final = 1.0  # cost per space that a further neume stands right of the next syllable's vowel


def place_syllables(page: Page, text: Sequence[TextLine] = ()) -> Page:
    """Fill in a page's syllables and tie its neumes to them.

    Parameters
    ----------
    page : Page
        With neumes, and in `Page.syllables` the boxes of `neumary.lyrics.find_words`.
    text : sequence of TextLine
        Of this page; nothing where there is none.

    Returns
    -------
    Page
        Syllables have ids in reading order; every neume of the melody on a staff with
        syllables has one. A text that does not fit is told in a warning.
    """
    boxes = {staff.id: _boxes(page, staff) for staff in page.staves}
    remarks: list[Remark] = []
    if text:
        pieces, remarks = lay_words(page, boxes, list(text))
    else:
        pieces = {staff: [Piece("", "", box, box.left) for box in found] for staff, found in boxes.items()}
    return _tied(page, pieces, remarks)


@dataclass(frozen=True, slots=True)
class _Sung:
    """A neume of the melody: its id, and the column (px) of its first head."""

    id: str
    col: float


def _boxes(page: Page, staff: Staff) -> list[Box]:
    found = [syllable.box for syllable in page.syllables if syllable.staff == staff.id and syllable.box]
    return sorted(found, key=lambda box: (box.left, box.top))


def _tied(page: Page, pieces: dict[str, list[Piece]], remarks: list[Remark]) -> Page:
    syllables: list[Syllable] = []
    home: dict[str, str] = {}
    before = ""  # the last syllable of the staff above, if its word goes on
    for staff, events in melody_events(page):
        here = pieces.get(staff.id, [])
        names = [f"y{len(syllables) + number:04d}" for number in range(1, len(here) + 1)]
        for name, piece in zip(names, here, strict=True):
            syllables.append(
                Syllable(id=name, staff=staff.id, text=piece.text, box=piece.box, wordpos=piece.wordpos)
            )
        sung = [_Sung(e.neume.id, e.signs[0][0].col) for e in events if e.is_neume and e.neume]
        early = 0
        if before and here:
            limit = here[0].box.left - _EARLY_SPACES * staff.space_px
            early = sum(neume.col < limit for neume in sung)
        home.update({neume.id: before for neume in sung[:early]})
        chosen = assign(
            [n.col / staff.space_px for n in sung[early:]], [p.vowel / staff.space_px for p in here]
        )
        home.update({n.id: names[at] for n, at in zip(sung[early:], chosen, strict=True) if at is not None})
        before = names[-1] if here and here[-1].text and sung else ""
    neumes = tuple(msgspec.structs.replace(neume, syllable=home.get(neume.id, "")) for neume in page.neumes)
    return msgspec.structs.replace(
        page, syllables=tuple(syllables), neumes=neumes, warnings=(*page.warnings, *remarks)
    )


def assign(neumes: Sequence[float], vowels: Sequence[float]) -> list[int | None]:
    """Give each neume its syllable, both in order.

    Parameters
    ----------
    neumes : sequence of float
        Columns of the first heads, in spaces.
    vowels : sequence of float
        Columns of the syllables' vowels, in spaces, rising.

    Returns
    -------
    list of int or None
        Index of the syllable of each neume, never falling; None only where there are no syllables.

    Notes
    -----
    The cheapest of all orderly choices: a syllable's first neume costs its distance from the vowel, a further
    one nothing unless it stands beyond the next vowel, a syllable left without a neume 2.5 spaces.
    """
    if not neumes or not vowels:
        return [None] * len(neumes)
    count, n_syllables = len(neumes), len(vowels)
    cost = np.full((count, n_syllables), np.inf)
    back = np.zeros((count, n_syllables), dtype=np.int64)
    for number, col in enumerate(neumes):
        for at, vowel in enumerate(vowels):
            if number == 0:
                cost[0, at] = abs(col - vowel) + _SKIP_SPACES * at
                back[0, at] = -1
                continue
            beyond = col - vowels[at + 1] if at + 1 < n_syllables else 0.0
            cost[number, at] = cost[number - 1, at] + _BEYOND * max(beyond, 0.0)
            back[number, at] = at
            for earlier in range(at):
                new = cost[number - 1, earlier] + abs(col - vowel) + _SKIP_SPACES * (at - earlier - 1)
                if new < cost[number, at]:
                    cost[number, at], back[number, at] = new, earlier
    left_over = _SKIP_SPACES * np.arange(n_syllables)[::-1]
    at = int((cost[-1] + left_over).argmin())
    chosen: list[int | None] = []
    for number in range(count - 1, -1, -1):
        chosen.append(at)
        at = int(back[number, at])
    return chosen[::-1]
