"""Custodes compared, as pitches, with the notes they announce: across staves, columns and pages.

The custos at the end of a staff gives the pitch of the first note of the next (common practice; so the
guides to printed chant). Where the two disagree, one of four things is wrong: a clef, the custos, the
note, or what was taken for a custos; by how much they disagree tells which is likely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from neumary.gamut import Sign, degree_name, runs_out, signs_by_staff
from neumary.types import Page, Pitch, Remark, Staff

_SURE_CUSTOS_P: Final = 0.9  # what was read as a custos with less may be some other sign


@dataclass(frozen=True, slots=True)
class Heard:
    """A note or custos, for itself: where it stands, how sure its sign is, its pitch.

    Attributes
    ----------
    staff, glyph : str
    confidence : float
        That the sign is what it was read as.
    pitch : Pitch
        With a degree.
    """

    staff: str
    glyph: str
    confidence: float
    pitch: Pitch


def check_custodes(
    staves: Sequence[Staff], by_staff: Mapping[str, Sequence[Sign]], pitches: Mapping[str, Pitch]
) -> list[Remark]:
    """Compare each custos of a page with the first note it announces.

    Parameters
    ----------
    staves : sequence of Staff
        In reading order.
    by_staff : mapping of str to sequence of Sign
        Signs of each staff in the order sung.
    pitches : mapping of str to Pitch
        By glyph id, of heads and custodes.

    Returns
    -------
    list of Remark
        Code ``custos-step`` where the two lie an odd number of degrees apart: C and F clefs stand on lines
        and lie four degrees apart, so a wrong one shifts by an even number, and it is the custos or the note
        that is out. Else ``custos-mismatch``. Only exact pitches are compared. ``custos-inside`` where a
        custos stands amid a staff.
    """
    remarks: list[Remark] = []
    for i, staff in enumerate(staves):
        signs = by_staff[staff.id]
        for k, sign in enumerate(signs):
            if sign.label != "custos":
                continue
            after = next((j for j in range(k + 1, len(signs)) if signs[j].is_head), None)
            if after is None:
                announced = (
                    _announced(staves[i + 1], by_staff[staves[i + 1].id]) if i + 1 < len(staves) else None
                )
            elif any(s.is_clef for s in signs[k:after]):
                announced = signs[after]
            else:
                text = f"A custos stands inside staff {staff.id}, not at its end: it may be another sign."
                remarks.append(Remark(code="custos-inside", text=text, staff=staff.id, glyph=sign.glyph.id))
                continue
            if announced is not None:
                where = f"on staff {announced.glyph.staff}"
                promised, found = pitches.get(sign.glyph.id), pitches.get(announced.glyph.id)
                remarks += _compare(sign, promised, found, where)
    return remarks


def page_ends(page: Page) -> tuple[Heard | None, Heard | None]:
    """The first note of a page, and the custos that stands at its end.

    Parameters
    ----------
    page : Page
        With pitches, as `neumary.pipeline.judge` gives them.

    Returns
    -------
    first, custos : Heard or None
        None where there is none, or its pitch is not known.
    """
    by_staff = signs_by_staff(page.staves, page.glyphs, page.readings)
    last = next((by_staff[staff.id] for staff in reversed(page.staves) if by_staff[staff.id]), [])
    first = next((head for staff in page.staves if (head := _first_head(by_staff[staff.id]))), None)
    heads = [k for k, sign in enumerate(last) if sign.is_head]
    after = [sign for sign in last[heads[-1] + 1 if heads else 0 :] if sign.label == "custos"]
    custos = max(after, key=lambda sign: sign.reading.confidence, default=None)
    return _hear(first), _hear(custos)


def _hear(sign: Sign | None) -> Heard | None:
    if sign is None or sign.reading.pitch is None or sign.reading.pitch.degree is None:
        return None
    return Heard(sign.glyph.staff, sign.glyph.id, sign.reading.confidence, sign.reading.pitch)


def check_page_turn(page: Page, following: Page) -> list[Remark]:
    """Compare the last custos of a page with the first note of the page that follows it.

    Parameters
    ----------
    page, following : Page
        With pitches, as `neumary.pipeline.judge` gives them.

    Returns
    -------
    list of Remark
        For `page`; codes as in `check_custodes`. Empty where the page does not end with a custos.
    """
    custos, first = page_ends(page)[1], page_ends(following)[0]
    if custos is None or first is None:
        return []
    return compare_heard(custos, first, f"on page {following.page_id}")


def _announced(staff: Staff, signs: Sequence[Sign]) -> Sign | None:
    """First head of a staff; None where the picture's edge cuts off how it begins."""
    seen = any(s.is_clef and s.reading.by != "inferred" for s in signs)
    return _first_head(signs) if seen or not runs_out(staff) else None


def _first_head(signs: Sequence[Sign]) -> Sign | None:
    return next((sign for sign in signs if sign.is_head), None)


def _compare(custos: Sign, promised: Pitch | None, found: Pitch | None, where: str) -> list[Remark]:
    if promised is None or found is None:
        return []
    at = Heard(custos.glyph.staff, custos.glyph.id, custos.reading.confidence, promised)
    return compare_heard(at, Heard("", "", 1.0, found), where)


def compare_heard(custos: Heard, note: Heard, where: str) -> list[Remark]:
    """Compare a custos with the note it announces.

    Parameters
    ----------
    custos, note : Heard
    where : str
        Where the note stands, such as ``on staff s02``.

    Returns
    -------
    list of Remark
        At most one; codes as in `check_custodes`. Only exact pitches are compared.
    """
    promised, found = custos.pitch, note.pitch
    if promised.certainty != "exact" or found.certainty != "exact":
        return []
    if promised.degree is None or found.degree is None or promised.degree == found.degree:
        return []
    apart = abs(promised.degree - found.degree)
    if apart == 1:
        cause = "one of the two is a step out"
    elif apart % 2:
        cause = "one of the two is misread, or a note between them is missed"
    else:
        cause = "a clef or a step may be wrong, or a note between them is missed"
    if custos.confidence < _SURE_CUSTOS_P:
        cause += f", or the sign is no custos (p {custos.confidence:.2f})"
    text = (
        f"The custos of staff {custos.staff} announces {degree_name(promised.degree)}, the next note, "
        f"{where}, reads {degree_name(found.degree)}: {cause}."
    )
    code = "custos-step" if apart % 2 else "custos-mismatch"
    return [Remark(code=code, text=text, staff=custos.staff, glyph=custos.glyph)]
