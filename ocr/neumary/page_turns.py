"""Custodes over the page turn: the last of a page against the first note of the page that follows.

Worked out from what is on record of every page, never from the order in which pages were read: the same
output folder gives the same findings however many worker processes there were, and however often a run
was broken off and taken up again. A page's own files never depend on its neighbours.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from neumary.custodes import Heard, compare_heard
from neumary.gamut import degree_name

Verdict = Literal["agrees", "disagrees", "open"]
"""``open``: one of the two pitches is a range; its best degree is not the one announced, but it may be."""

_BARE_PAGES: Final = 2  # so many pages without notes (pictures, blank versos) may lie between
_LEAST_P: Final = 0.01  # with less chance of being one pitch, two that are ranges disagree
_NUMBERED: Final = re.compile(r"(.*?)(\d+)([^\d]*)", re.DOTALL)
_FETCHED: Final = re.compile(r"(.*)-p(\d{4,})(?:-(\d+))?", re.DOTALL)
_SIDES: Final = {"r": 0, "v": 1}


@dataclass(frozen=True, slots=True)
class Place:
    """Where a page came from, as the ledger has it.

    Attributes
    ----------
    page_id : str
    source : str
        Absolute path or address.
    frame : int
        0-based picture inside the file.
    """

    page_id: str
    source: str
    frame: int


@dataclass(frozen=True, slots=True)
class Edges:
    """What a page has to say to its neighbours.

    Attributes
    ----------
    notes : int
    first : Heard or None
        Its first note.
    custos : Heard or None
        The custos at its end.
    """

    notes: int
    first: Heard | None = None
    custos: Heard | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """One custos compared with the page after it.

    Attributes
    ----------
    page_id, following : str
    verdict : {"agrees", "disagrees", "open"}
    announced, found : str
        Both readings, such as ``d4``.
    staff, glyph : str
        Of the custos.
    text : str
        One sentence for people.
    """

    page_id: str
    following: str
    verdict: Verdict
    announced: str
    found: str
    staff: str
    glyph: str
    text: str


def find_turns(places: Iterable[Place], edges: Mapping[str, Edges]) -> list[Turn]:
    """Compare every custos at the end of a page with the note it announces on a later one.

    Parameters
    ----------
    places : iterable of Place
        All pages on record, in any order.
    edges : mapping of str to Edges
        By page id, of the pages that were read. A page that is missing here (failed, or still waiting) is
        never passed over: nothing is said of the custos before it.

    Returns
    -------
    list of Turn
        By page id.
    """
    after = follow(places)
    turns = []
    for page_id in sorted(edges):
        custos = edges[page_id].custos
        following = after.get(page_id, "")
        for _ in range(_BARE_PAGES):
            if following in edges and not edges[following].notes:
                following = after.get(following, "")
        first = edges[following].first if following in edges else None
        if custos is not None and first is not None:
            turns.append(_turn(page_id, custos, following, first))
    return turns


def _turn(page_id: str, custos: Heard, following: str, first: Heard) -> Turn:
    announced, found = custos.pitch.degree or 0, first.pitch.degree or 0
    names = degree_name(announced), degree_name(found)
    exact = custos.pitch.certainty == first.pitch.certainty == "exact"
    said = f"The custos at the end of page {page_id} announces {names[0]}"
    verdict: Verdict
    if announced == found:
        verdict, text = "agrees", f"{said}, and so page {following} begins."
    elif exact:
        (remark,) = compare_heard(custos, first, f"on page {following}")
        verdict, text = "disagrees", remark.text
    else:
        theirs = _degrees(first)
        chance = sum(p * theirs.get(degree, 0.0) for degree, p in _degrees(custos).items())
        verdict = "open" if chance >= _LEAST_P else "disagrees"
        text = (
            f"{said}, page {following} begins with {names[1]}; one of the two is a range, and the chance "
            f"that both are one pitch is {chance:.2f}."
        )
    return Turn(page_id, following, verdict, *names, custos.staff, custos.glyph, text)


def _degrees(heard: Heard) -> dict[int, float]:
    """Probabilities of the degrees a pitch may be, altered or not."""
    found: dict[int, float] = {}
    for degree, _, p in heard.pitch.alternatives or ((heard.pitch.degree or 0, 0, 1.0),):
        found[degree] = found.get(degree, 0.0) + p
    return found


def follow(places: Iterable[Place]) -> dict[str, str]:
    """Which page follows which, by page id.

    Pages of one file follow each other as the file has them, those of a manifest as it lists them. Single
    pictures do where they lie in one folder and their names count up by one: 0041 and 0042, f12r, f12v and
    f13r. Where a number is left out a leaf is missing, and nothing follows.

    Parameters
    ----------
    places : iterable of Place
    """
    books: dict[tuple[str, ...], dict[int, str]] = {}
    doubled: set[tuple[str, ...]] = set()
    frames: dict[str, list[Place]] = {}
    for place in places:
        frames.setdefault(place.source, []).append(place)
    for source, pages in frames.items():
        if len(pages) > 1:
            ordered = sorted(pages, key=lambda place: place.frame)
            books["file", source] = {n: page.page_id for n, page in enumerate(ordered)}
            continue
        found = _numbered(pages[0])
        if found is None:
            continue
        book, number = found
        if number in books.setdefault(book, {}):
            doubled.add(book)  # two pages of one number: the names do not tell the order
        books[book][number] = pages[0].page_id
    return {
        page_id: pages[number + 1]
        for book, pages in books.items()
        if book not in doubled
        for number, page_id in pages.items()
        if number + 1 in pages
    }


def _numbered(place: Place) -> tuple[tuple[str, ...], int] | None:
    """Book and number of a page that is a source of its own."""
    if "://" in place.source:
        listed = _FETCHED.fullmatch(place.page_id)  # a manifest's pages are numbered in its order
        return (("manifest", listed[1]), int(listed[2])) if listed else None
    path = Path(place.source)
    named = _NUMBERED.fullmatch(path.stem)
    if named is None:
        return None
    before, number, behind = named.groups()
    side = behind.lower()
    if side in _SIDES:
        return ("leaves", str(path.parent), before), 2 * int(number) + _SIDES[side]
    return ("pictures", str(path.parent), before, behind), int(number)
