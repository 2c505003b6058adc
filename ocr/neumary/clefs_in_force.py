"""Clefs in force: which clef holds from which sign of a staff on, and what else it could be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from neumary.gamut import CLEF_DEGREES, Sign, clef_groups, clef_name, leads, line_clef, line_step
from neumary.record import is_concluded
from neumary.types import Reading, Staff
from neumary_models.labels import CLEFS

Say = Callable[[str, str, str, str], None]
"""Takes a remark: code, text, staff, glyph."""

LEAST_P: Final = 0.01
"""Possibilities less probable than this are not listed."""


@dataclass(frozen=True, slots=True)
class Clef:
    """A clef in force: the degree of the bottom line, and what else it could be.

    `concluded`: inferred, overruled or taken up, so no reading of the leaf by itself.
    """

    base: int
    name: str
    p: float
    concluded: bool
    bases: tuple[tuple[int, float], ...] = ()  # distribution over bases, the one in force first


def clefs_in_force(staff: Staff, signs: Sequence[Sign], say: Say) -> dict[str, Clef]:
    """Clef that holds from each clef sign on, by glyph id; under "" the one that holds from the start.

    Parameters
    ----------
    staff : Staff
    signs : sequence of Sign
        Of this staff, in the order sung.
    say : callable
        Takes remarks; codes ``clef-off-line``, ``clefs-disagree``.
    """
    in_force: dict[str, Clef] = {}
    coloured = line_clef(staff)
    if coloured is not None:
        label, step = coloured
        in_force[""] = Clef(
            CLEF_DEGREES[label] - step, f"{clef_name(label, step)} (coloured line)", 1.0, False
        )
    for group in clef_groups(signs):
        read = [(s, _read_clef(staff, s, say)) for s in group]
        known = [(s, c) for s, c in read if c is not None]
        if not known:
            continue
        chosen = max(known, key=lambda pair: (pair[1].p, pair[0].glyph.id))[1]
        if any(c.base != chosen.base for _, c in known):
            names = " and ".join(c.name for _, c in known)
            text = f"The clefs of staff {staff.id} disagree ({names}); taken: the {chosen.name}."
            say("clefs-disagree", text, staff.id, known[0][0].glyph.id)
        for s, _ in known:
            in_force[s.glyph.id] = chosen
    first = next((s for s in signs if s.is_clef and s.glyph.id in in_force), None)
    if first is not None and leads(first, signs, staff.space_px):
        sign_clef = in_force[first.glyph.id]
        if sign_clef.base != in_force.get("", sign_clef).base:
            text = f"Staff {staff.id}: {in_force[''].name} and {sign_clef.name} disagree; sign taken."
            say("clefs-disagree", text, staff.id, first.glyph.id)
        in_force[""] = sign_clef
    return in_force


def _read_clef(staff: Staff, sign: Sign, say: Say) -> Clef | None:
    step = line_step(sign.reading)
    if step is None:
        return None
    if step != sign.reading.step:
        text = f"A clef of staff {staff.id} stands between lines; taken as {clef_name(sign.label, step)}."
        say("clef-off-line", text, staff.id, sign.glyph.id)
    base = CLEF_DEGREES[sign.label] - step
    bases = _bases(sign.reading, step)
    concluded = is_concluded(sign.reading)
    return Clef(base, clef_name(sign.label, step), sign.reading.confidence, concluded, bases)


def _bases(reading: Reading, step: int) -> tuple[tuple[int, float], ...]:
    """Distribution over the degree of the bottom line, from rival labels and steps."""
    labels = [(reading.label, reading.confidence), *(r for r in reading.rivals if r[0] in CLEFS)]
    on_lines = [(s, p) for s, p in reading.steps if s % 2 == 0] or [(step, 1.0)]
    if is_concluded(reading) and len(reading.steps) > 1:
        labels, on_lines = [(reading.label, 1.0)], list(reading.steps)  # other letters, told as its own steps
    weights: dict[int, float] = {}
    for label, p in labels:
        for s, q in on_lines:
            weights[CLEF_DEGREES[label] - s] = weights.get(CLEF_DEGREES[label] - s, 0.0) + p * q
    return ranked(weights, CLEF_DEGREES[reading.label] - step)


def ranked(weights: dict[int, float], first: int) -> tuple[tuple[int, float], ...]:
    """Weights as probabilities that sum to 1: one of them first, then the others, likeliest first.

    Parameters
    ----------
    weights : dict of int to float
    first : int
        The one that holds, whatever its weight.
    """
    total = sum(weights.values()) or 1.0
    rest = sorted((-w / total, d) for d, w in weights.items() if d != first and w / total >= LEAST_P)
    return ((first, weights.get(first, 0.0) / total), *((d, -p) for p, d in rest))
