"""What each sign is in MEI: attributes of clefs, accidentals, custodes, divisions and heads.

Pure functions from readings to attributes; `neumary.mei` builds the document.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from neumary.gamut import CLEF_DEGREES, base_degree
from neumary.order import Event
from neumary.types import PNAMES, Box, Pitch, Reading, Staff
from neumary_models.labels import BY_NAME, CLEFS

_MEI_CLEFS: Final = {letter: CLEF_DEGREES[f"clef_{letter.lower()}"] for letter in "CFG"}
"""Degree of the line of the clefs MEI knows: c4, f3, g4."""

_CHILDREN: Final = {
    "quilisma": "quilisma",
    "oriscus": "oriscus",
    "stropha": "strophicus",
    "liquescent": "liquescent",
}

# Chant divisions reach over a third, two thirds or all of a four-line staff (SMuFL 1.4
# chantDivisioMinima, -Maior, -Maxima); the bounds lie half way between.
_MAIOR_FROM: Final = 0.5
_MAXIMA_FROM: Final = 5 / 6
# Width in spaces: one stroke 0.06, the double stroke of a divisio finalis 0.48 (Bravura); drawn
# strokes are thicker than printed ones, so the bound lies nearer to the double stroke.
_FINALIS_FROM: Final = 0.4


def pitch_attributes(pitch: Pitch | None) -> dict[str, str]:
    """Give @pname and @oct where a pitch, or the best of a range, is known.

    Parameters
    ----------
    pitch : Pitch or None

    Returns
    -------
    dict of str to str
        Empty for a contour, for None, and outside MEI's octaves 0 to 9.
    """
    if pitch is None or pitch.certainty == "contour" or pitch.degree is None or not 0 <= pitch.octave <= 9:
        return {}
    return {"pname": pitch.pname, "oct": str(pitch.octave)}


def head_attributes(event: Event) -> list[tuple[dict[str, str], str]]:
    """Give the attributes and the child element of each head of a neume.

    Parameters
    ----------
    event : Event
        A neume.

    Returns
    -------
    list of (dict of str to str, str)
        For each head in the order sung: attributes of ``nc``, and the name of its
        child element or "".

    Notes
    -----
    MEI 5.1, chapter on neumes: a virga is @tilt n, a lozenge @tilt se (gapped from the
    head before), the two ends of an oblique stroke are two @ligated components. The
    stroke of a liquescent turns up (@curve a) where the melody rises into it, as in an
    epiphonus, and down (@curve c) where it falls, as in a cephalicus; alone it has none.
    """
    readings = [reading for _, reading in event.signs]
    ligated = _ligated_pairs([reading.label for reading in readings])
    heads = []
    for number, reading in enumerate(readings):
        out = pitch_attributes(reading.pitch)
        if reading.pitch is None or reading.pitch.certainty == "contour":
            if reading.step is not None:
                out["loc"] = str(reading.step)
            if reading.pitch is not None and reading.pitch.contour:
                out["intm"] = reading.pitch.contour
        elif out and reading.pitch.alter == -1:
            out["accid.ges"] = "f"
        if reading.label == "virga":
            out["tilt"] = "n"
        elif reading.label == "inclinatum":
            out["tilt"] = "se"
            if number:
                out["con"] = "g"
        elif reading.label == "liquescent" and number:
            move = _move(readings[number - 1], reading)
            if move:
                out["curve"] = "a" if move > 0 else "c"
        if ligated[number]:
            out["ligated"] = "true"
        heads.append((out, _CHILDREN.get(reading.label, "")))
    return heads


def _ligated_pairs(labels: Sequence[str]) -> list[bool]:
    """Mark the heads that are the two ends of one oblique stroke; a third is left over."""
    marks = [False] * len(labels)
    number = 0
    while number + 1 < len(labels):
        if labels[number] == labels[number + 1] == "oblique":
            marks[number] = marks[number + 1] = True
            number += 1
        number += 1
    return marks


def _move(before: Reading, after: Reading) -> int:
    """Upward (> 0) or downward (< 0) motion between two heads; 0 where unknown or none."""
    if after.pitch and after.pitch.contour:
        return {"u": 1, "d": -1, "s": 0}[after.pitch.contour]
    if before.pitch and after.pitch and before.pitch.degree is not None and after.pitch.degree is not None:
        return after.pitch.degree - before.pitch.degree
    if before.step is not None and after.step is not None:
        return after.step - before.step
    return 0


def degree_offsets(events: Sequence[Event]) -> list[int | None]:
    """Find, for each event of a staff, the degree of the staff's bottom line there.

    Parameters
    ----------
    events : sequence of Event
        One layer of one staff in reading order.

    Returns
    -------
    list of int or None
        Degree minus step, taken from the heads themselves so that every output agrees
        with the pitches given: for a clef from the heads after it, for any other sign
        from the nearest heads under the same clef; without such heads from a C or F
        clef. None where nothing tells.
    """
    own = [_offset_of(event) for event in events]
    clefs = [event.signs[0][1].label in CLEFS for event in events]
    ahead: list[int | None] = [None] * len(events)
    known: int | None = None
    for number in range(len(events) - 1, -1, -1):
        known = own[number] if own[number] is not None else known
        ahead[number] = known
        if clefs[number]:
            known = None
    offsets: list[int | None] = []
    for number, offset in enumerate(ahead):
        if offset is None:
            offset = _clef_offset(events[number]) if clefs[number] else offsets[-1] if offsets else None
        offsets.append(offset)
    return offsets


def _clef_offset(event: Event) -> int | None:
    """Degree of the bottom line by a C or F clef alone; other letters leave the octave open."""
    _, reading = event.signs[0]
    letter = BY_NAME[reading.label].letter
    return None if reading.step is None or letter not in "CF" else base_degree(reading.label, reading.step)


def _offset_of(event: Event) -> int | None:
    if not event.is_neume:
        return None
    for _, reading in event.signs:
        if reading.pitch and reading.pitch.degree is not None and reading.step is not None:
            return reading.pitch.degree - reading.step
    return None


def clef_attributes(reading: Reading, lines: int, offset: int | None) -> dict[str, str]:
    """Give @shape, @line and @label of a clef.

    Parameters
    ----------
    reading : Reading
        Of a clef; its step may be None (no lines).
    lines : int
        Lines of its staff.
    offset : int or None
        Degree of the bottom line under this clef, if the heads tell.

    Returns
    -------
    dict of str to str
        @line counts from the bottom, from 1. MEI knows the clefs C, F and G: another
        letter becomes the one of them that stands for the same pitches and falls on a
        line, else it has no @shape; the letter stands in @label either way.
    """
    letter = BY_NAME[reading.label].letter
    out = {} if letter in "CF" else {"label": letter}
    if reading.step is None:
        return {**out, "shape": letter} if letter in _MEI_CLEFS else out
    if letter in _MEI_CLEFS and _on_line(reading.step, lines):
        out.update(shape=letter, line=str(reading.step // 2 + 1))
        if letter == "G" and offset is not None and offset + reading.step == _MEI_CLEFS["G"] - 7:
            out.update({"dis": "8", "dis.place": "below"})  # the gamut's own G, an octave lower
        return out
    if offset is None:
        offset = base_degree(reading.label, reading.step)
    return {"label": letter, **equivalent_clef(offset, lines)}


def equivalent_clef(offset: int, lines: int) -> dict[str, str]:
    """Give @shape and @line of a C, F or G clef that makes the bottom line this degree.

    Parameters
    ----------
    offset : int
        Degree of the bottom line.
    lines : int

    Returns
    -------
    dict of str to str
        The first of C, F, G that falls on a line; empty if none does.
    """
    for shape, degree in _MEI_CLEFS.items():
        if _on_line(degree - offset, lines):
            return {"shape": shape, "line": str((degree - offset) // 2 + 1)}
    return {}


def grid_lines(staff: Staff) -> int:
    """Lines of the staff's grid: those drawn, and those left out between coloured ones."""
    return staff.places[-1] + 1 if staff.lines else 0


def _on_line(step: int, lines: int) -> bool:
    return step % 2 == 0 and 0 <= step <= 2 * (lines - 1)


def accid_attributes(reading: Reading, offset: int | None) -> dict[str, str]:
    """Give @accid, and @ploc and @oloc where the pitch of its place is known.

    Parameters
    ----------
    reading : Reading
        Of a flat or natural.
    offset : int or None
        Degree of the bottom line, if known.
    """
    out = {"accid": "f" if reading.label == "flat" else "n"}
    if reading.step is None:
        return out
    degree = None if offset is None else offset + reading.step
    if degree is None or not 0 <= degree < 70:
        return {**out, "loc": str(reading.step)}
    return {**out, "ploc": PNAMES[degree % 7], "oloc": str(degree // 7)}


def custos_attributes(reading: Reading) -> dict[str, str]:
    """Give @pname and @oct of a custos, or @loc (its step) where it has no pitch."""
    out = pitch_attributes(reading.pitch)
    return out if out or reading.step is None else {"loc": str(reading.step)}


def division_attributes(box: Box, staff: Staff) -> dict[str, str]:
    """Give @form of a division from how much of the staff its stroke reaches over.

    Parameters
    ----------
    box : Box
        Of the stroke, px.
    staff : Staff

    Returns
    -------
    dict of str to str
        "minima" up to half of the staff's height, "maior" up to five sixths, "maxima"
        above, "finalis" if it is also as wide as a double stroke. Empty on staves with
        fewer than two lines, which have no height.
    """
    if len(staff.lines) < 2:
        return {}
    col = (box.left + box.right - 1) / 2
    bottom, top = staff.lines[0].row_at(col), staff.lines[-1].row_at(col)
    inside = max(0.0, min(box.bottom - 0.5, bottom) - max(box.top - 0.5, top))
    share = inside / max(bottom - top, 1.0)
    if share < _MAIOR_FROM:
        return {"form": "minima"}
    if share < _MAXIMA_FROM:
        return {"form": "maior"}
    wide = (box.right - box.left) / staff.space_px >= _FINALIS_FROM
    return {"form": "finalis" if wide else "maxima"}
