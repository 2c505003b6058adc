"""What mistakes go back to, and what would help: the error analysis of an evaluation."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final

from neumary_training.evaluation_results import Culprit

ADVICE: Final[dict[str, str]] = {
    "staff traced with other lines": (
        "Staff finder: broken, waved, crooked or faint lines; edges of leaves and pictures beside staves"
    ),
    "staff not found": "Staff finder: whole staves lost, or found where there are none",
    "clef not in the picture, inferred wrongly": (
        "Less confidence under an inferred clef; the custos and the next page must speak, this picture cannot"
    ),
    "clef misread or missed": (
        "Training: more clefs amid staves, small as notes and beside them, of all letters and designs"
    ),
    "flat misread or missed": "Training: more flats, near text and between notes",
    "ink of text, initials or the other side": (
        "Training: notes under and among letters; pen flourishes, rubrics and blots inside staves"
    ),
    "sign missed beside one that touches": (
        "Training: tighter seconds, obliques over the next head, faint strokes"
    ),
    "wrong name for a note": (
        "Training: liquescent tails, oriscus and stropha drawn clearly or not at all; lozenge-like puncta"
    ),
    "custos or division misread or missed": "Training: more designs of custodes, fainter strokes of division",
    "a note on the wrong step": "Training: seconds pushed apart more strongly; smaller and blurred heads",
    "sign missed or made up, alone": (
        "Training: faint, flaked and small signs; specks and stains that are no signs"
    ),
}
"""Causes, and what would help against each."""

_BY_CAUSE: Final = {"staff": "staff not found", "lines": "staff traced with other lines"}
_FOREIGN_INK: Final = frozenset({"text", "decoration", "bleed"})


def cause_of(culprit: Culprit) -> str:
    """Name the cause of a mistake, a key of `ADVICE`.

    Causes are tried in the order: the staff, the clef, the flat, ink of another layer on the
    spot, a touching sign, the sign itself. Each mistake is counted once.
    """
    mistake = culprit.mistake
    if mistake.cause in _BY_CAUSE:
        return _BY_CAUSE[mistake.cause]
    if mistake.cause == "clef" and mistake.under_inferred:
        return "clef not in the picture, inferred wrongly"
    if "clef" in (mistake.cause, mistake.group):
        return "clef misread or missed"
    if mistake.cause == "flat" or mistake.group == "accidental":
        return "flat misread or missed"
    if culprit.layer in _FOREIGN_INK:
        return "ink of text, initials or the other side"
    if mistake.group in ("custos", "division"):
        return "custos or division misread or missed"
    if mistake.cause == "touching":
        return "sign missed beside one that touches"
    by_sort = {"label": "wrong name for a note", "step": "a note on the wrong step"}
    return by_sort.get(mistake.sort, "sign missed or made up, alone")


def count_causes(culprits: Iterable[Culprit]) -> Counter[str]:
    """Count mistakes by cause."""
    return Counter(cause_of(culprit) for culprit in culprits)
