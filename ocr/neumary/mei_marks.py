"""Significative letters in MEI."""

from __future__ import annotations

from neumary.order import Event
from neumary.types import Mark
from neumary.xmlwrite import XML_ID, Element, sub, xml_id


def signif_let(parent: Element, mark: Mark, event: Event | None) -> Element:
    """Write a significative letter.

    Parameters
    ----------
    parent : element
        A ``neume``, or a ``syllable`` where the letter stands at no neume.
    mark : Mark
    event : Event or None
        The neume, which @place refers to.

    Returns
    -------
    element
        ``signifLet`` with its own zone; empty where the letter is seen but not read (MEI 5.1,
        model.neumeModifierLike).
    """
    name = xml_id("m", mark.id)
    attributes = {XML_ID: name}
    if mark.box is not None:
        attributes["facs"] = f"#z-{name}"
        if event is not None:
            attributes["place"] = place_of(mark, event)
    return sub(parent, "signifLet", mark.text, attributes)


def place_of(mark: Mark, event: Event) -> str:
    """On which side of a neume a mark with a box stands: MEI's above, below, left or right."""
    assert mark.box is not None
    boxes = [glyph.box for glyph, _ in event.signs]
    row = (min(b.top for b in boxes) + max(b.bottom for b in boxes)) / 2
    col = (min(b.left for b in boxes) + max(b.right for b in boxes)) / 2
    tall = max(1, max(b.bottom for b in boxes) - min(b.top for b in boxes))
    wide = max(1, max(b.right for b in boxes) - min(b.left for b in boxes))
    down = ((mark.box.top + mark.box.bottom) / 2 - row) / tall
    across = ((mark.box.left + mark.box.right) / 2 - col) / wide
    if abs(down) >= abs(across):
        return "above" if down < 0 else "below"
    return "left" if across < 0 else "right"
