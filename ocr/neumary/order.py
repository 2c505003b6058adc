"""Reading order: what stands on each staff, from left to right, neume by neume."""

from __future__ import annotations

from dataclasses import dataclass

from neumary.gamut import Sign, sung_order
from neumary.types import Glyph, Neume, Page, Reading, Staff
from neumary_models.labels import HEADS


@dataclass(frozen=True, slots=True)
class Event:
    """One thing met while reading along a staff: a neume, or any other single sign.

    Attributes
    ----------
    signs : tuple of (Glyph, Reading)
        The heads of a neume in the order sung, or the one other sign.
    neume : Neume or None
        None for signs that are no heads, and for a head that nobody has put into a
        neume: it counts as a neume of its own.
    """

    signs: tuple[tuple[Glyph, Reading], ...]
    neume: Neume | None = None

    @property
    def is_neume(self) -> bool:
        """Whether it is sung."""
        return self.signs[0][1].label in HEADS

    @property
    def col(self) -> float:
        """Column (px) of its leftmost sign: what it is ordered by."""
        return min(glyph.col for glyph, _ in self.signs)

    @property
    def layer(self) -> str:
        """Layer of its first sign ("melody", "upper", "lower")."""
        return self.signs[0][0].layer


def staff_events(page: Page) -> dict[str, list[Event]]:
    """Gather what stands on each staff, in the order in which it is read.

    Parameters
    ----------
    page : Page

    Returns
    -------
    dict of str to list of Event
        For every staff id, in the page's order of staves, its events as they are
        sung (`neumary.gamut.sung_order`), those of all layers together. Signs without a
        reading are left out, so every sign that was read is there exactly once.

    Notes
    -----
    The place on the leaf decides, not the place in the page's list, because a sign added by
    hand stands last in that list. Within a neume the neume's own order holds.
    """
    current = page.current()
    glyphs = {glyph.id: glyph for glyph in page.glyphs if glyph.id in current}
    events: dict[str, list[Event]] = {staff.id: [] for staff in page.staves}
    placed: set[str] = set()
    for neume in page.neumes:
        heads = []
        for glyph_id in neume.glyphs:
            if glyph_id not in glyphs or glyph_id in placed or current[glyph_id].label not in HEADS:
                continue  # a head since relabelled by hand stands alone, below
            heads.append((glyphs[glyph_id], current[glyph_id]))
            placed.add(glyph_id)
        if heads:
            events[heads[0][0].staff].append(Event(tuple(heads), neume))
    for glyph in glyphs.values():
        if glyph.id not in placed:
            events[glyph.staff].append(Event(((glyph, current[glyph.id]),)))
    for staff in page.staves:
        events[staff.id] = _in_order(events[staff.id], staff.space_px)
    return events


def _in_order(along: list[Event], space_px: float) -> list[Event]:
    signs = [Sign(glyph, reading) for event in along for glyph, reading in event.signs]
    rank = {sign.glyph.id: number for number, sign in enumerate(sung_order(signs, space_px))}
    return sorted(along, key=lambda event: min(rank[glyph.id] for glyph, _ in event.signs))


def melody_events(page: Page) -> list[tuple[Staff, list[Event]]]:
    """Give the melody of a page: its staves in reading order, each with its events.

    Parameters
    ----------
    page : Page

    Returns
    -------
    list of (Staff, list of Event)
        As `staff_events`, without the layers above and below the staff.
    """
    events = staff_events(page)
    return [
        (staff, [event for event in events[staff.id] if event.layer == "melody"]) for staff in page.staves
    ]
