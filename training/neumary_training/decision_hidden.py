"""Melody error apart for notes whose clef the leaf shows and for those whose clef it hides.

Where an initial or the trimmed edge hides a clef, a whole staff stands or falls with what is inferred; what
is left of the error is the reader's.
"""

from __future__ import annotations

from collections import Counter

from neumary.measures import Share
from neumary.melody_measures import find_shifts, melody_edits
from neumary.page_matching import Match, Placed, compare_signs, place_signs
from neumary.types import Page

_NOTE_SPACES = 0.5  # as in `neumary.metrics.score_page`
_SIGN_SPACES = 1.0


def open_staves(truth: Page) -> set[int]:
    """Staves of the truth on which no clef stands before the first note, by their place in the order."""
    found: set[int] = set()
    seen: set[int] = set()
    for placed in place_signs(truth):
        if placed.staff not in seen and (placed.sign.is_clef or placed.sign.is_head):
            seen.add(placed.staff)
            if placed.sign.is_head:
                found.add(placed.staff)
    return found


def melody_apart(read: Page, truth: Page) -> dict[str, Share]:
    """Edits / true notes of the melody on staves whose clef is hidden, on the rest, on pages without any.

    A staff as read goes where most of its matched notes do; one without any counts with the rest. Both
    parts are aligned for themselves, so their edits may exceed those of the whole by a few.

    Parameters
    ----------
    read, truth : Page
        The same image, in the same pixels.

    Returns
    -------
    dict of str to Share
        Keys "hidden" and "seen"; "page without hidden" holds the whole page if it has no hidden clef.
    """
    found = compare_signs(read, truth, _NOTE_SPACES, _SIGN_SPACES, ()).heads()
    hidden = open_staves(truth)
    votes: dict[int, Counter[bool]] = {}
    for ours, theirs in found.pairs:
        votes.setdefault(ours.staff, Counter())[theirs.staff in hidden] += 1
    ours_hidden = {staff for staff, vote in votes.items() if vote[True] > vote[False]}
    parts = {
        "hidden": _edits(_part(found, ours_hidden, hidden)),
        "seen": _edits(
            _part(found, {p.staff for p in found.read} - ours_hidden, _others(found.true, hidden))
        ),
    }
    return parts | ({} if hidden else {"page without hidden": parts["seen"]})


def _others(true: list[Placed], hidden: set[int]) -> set[int]:
    return {p.staff for p in true} - hidden


def _part(found: Match, ours: set[int], theirs: set[int]) -> Match:
    pairs = [(a, b) for a, b in found.pairs if a.staff in ours and b.staff in theirs]
    read = [p for p in found.read if p.staff in ours]
    return Match(read, [p for p in found.true if p.staff in theirs], pairs, found.soft)


def _edits(part: Match) -> Share:
    return melody_edits(part, find_shifts(part))[0]
