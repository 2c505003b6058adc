"""Notes and doubts in plain words, for MEI, tables, annotations and people."""

from __future__ import annotations

from neumary.doubt import DOUBT_BELOW, reasons_to_doubt
from neumary.order import Event, staff_events
from neumary.types import PNAMES, Page, Reading


def melody_text(page: Page, staff_id: str = "") -> str:
    """Write the melody of one staff in plain note names.

    Parameters
    ----------
    page : Page
    staff_id : str
        The first staff of the page if empty.

    Returns
    -------
    str
        Neumes parted by spaces, heads of one neume by hyphens: ``d3 f3-g3 a3-bb3``. A
        flat follows its letter; a question mark follows the best of a range; a
        head without pitch is ``?`` with its movement (``?u`` up, ``?d`` down, ``?s`` same).
    """
    if not page.staves:
        return ""
    events = staff_events(page).get(staff_id or page.staves[0].id, [])
    neumes = [event for event in events if event.is_neume and event.layer == "melody"]
    return " ".join(map(notes_text, neumes))


def notes_text(event: Event) -> str:
    """Write one neume in the words of `melody_text`: ``f3-g3``."""
    return "-".join(_note_name(reading) for _, reading in event.signs)


def _note_name(reading: Reading) -> str:
    pitch = reading.pitch
    if pitch is None or pitch.degree is None or pitch.certainty == "contour":
        return "?" + (pitch.contour if pitch else "")
    doubt = "?" if pitch.certainty == "ranged" else ""
    return _degree_name(pitch.degree, pitch.alter) + doubt


def _degree_name(degree: int, alter: int) -> str:
    return PNAMES[degree % 7] + "b" * -alter + str(degree // 7)


def doubt_text(reading: Reading) -> str:
    """Say in words what is doubtful about a reading, with the alternatives."""
    parts = []
    reasons = reasons_to_doubt(reading)
    if "confidence" in reasons:
        rivals = ", ".join(f"{name} {share:.2f}" for name, share in reading.rivals)
        parts.append(f"{reading.label} {reading.confidence:.2f}" + (f" against {rivals}" if rivals else ""))
    if "inferred" in reasons:
        parts.append("concluded, not seen")
    if reading.pitch is not None and reading.pitch.certainty == "ranged":
        choices = [
            f"{_degree_name(degree, alter)} {p:.2f}" for degree, alter, p in reading.pitch.alternatives
        ]
        parts.append("pitch in a range: " + (", ".join(choices) or "alternatives not given"))
    if parts and reading.note:
        parts.append(reading.note)
    return "; ".join(parts)


def is_whole(event: Event) -> bool:
    """Whether a neume was read as one sign, so that its name is what is doubtful, not its notes."""
    return event.neume is not None and event.neume.confidence is not None


def sign_doubt(event: Event) -> str:
    """Say what else a sign may be, of those read as a whole."""
    neume = event.neume
    if neume is None or neume.confidence is None or neume.confidence >= DOUBT_BELOW:
        return ""
    rivals = ", ".join(f"{name} {share:.2f}" for name, share in neume.rivals)
    return f"{neume.name or 'sign'} {neume.confidence:.2f}" + (f" against {rivals}" if rivals else "")
