"""What the joint decision makes of custodes: faint ones taken up, doubtful ones left out.

A custos announces the next note (`neumary.custodes`). A sign that does so truly is hardly anything else;
one that might be a blot, a flourish or a last note, and announces another pitch, is hardly a custos.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from neumary.custos_belief import custos_p, custos_posterior
from neumary.gamut import Sign
from neumary.record import OVERRULED, Record
from neumary.stretches import Stretch
from neumary.types import Reading
from neumary_models.labels import HEADS

_EVEN: Final = 0.5


def settle_custodes(run: Sequence[Stretch], bases: Sequence[int | None], record: Record) -> None:
    """Take up the faint custodes that announce the next note truly, leave out the doubtful that do not.

    Parameters
    ----------
    run : sequence of Stretch
    bases : sequence of int or None
        Degree of the bottom line decided for each stretch; None where it is unknown.
    record : Record
        Takes the new readings, and the remarks ``custos-ignored`` and ``custos-overruled``. What is left
        out or taken for a head is taken out of its stretch too.
    """
    for i, stretch in enumerate(run):
        for sign in list(stretch.signs):
            if sign.label != "custos" or sign.reading.by == "human":
                continue
            p = _announces(sign, run, i, bases) if sign is stretch.custos else None
            if sign.is_faint:
                if p is not None and p > _EVEN:
                    record.take_up(sign, p)
                else:
                    record.dropped.add(sign.glyph.id)
            elif p is not None and p < _EVEN:
                stretch.signs.remove(sign)
                _reject(sign, record)


def _announces(custos: Sign, run: Sequence[Stretch], i: int, bases: Sequence[int | None]) -> float | None:
    """Probability that a sign is a custos, by the note after it; None where nothing can be said."""
    if i + 1 == len(run) or not run[i + 1].heads:
        return None
    here, after = bases[i], bases[i + 1]
    if here is None or after is None:
        return None
    return custos_posterior(custos, run[i + 1], after - here, custos_p(run, i))


def _reject(sign: Sign, record: Record) -> None:
    """What is no custos is the head it may be, or nothing at all, whichever is likelier."""
    at = f"(p {sign.reading.confidence:.2f}, at row {sign.glyph.row:.0f}, column {sign.glyph.col:.0f})"
    said = f"Staff {sign.glyph.staff}: what was read as a custos {at}"
    why = "it does not announce the next note."
    head = _head_instead(sign.reading)
    if head is None:
        record.say("custos-ignored", f"{said} is left out: {why}", sign.glyph.staff)
        record.dropped.add(sign.glyph.id)
        return
    label, p = head
    text = f"{said} is taken as a {label}: {why}"
    record.say("custos-overruled", text, sign.glyph.staff, sign.glyph.id)
    note = f"{OVERRULED}: a custos"
    record.put(sign, label=label, confidence=round(p, 4), rivals=(("custos", round(1 - p, 4)),), note=note)


def _head_instead(reading: Reading) -> tuple[str, float] | None:
    """The likeliest head among the rivals, and its probability; None where nothing is likelier still."""
    heads = [(p, label) for label, p in reading.rivals if label in HEADS]
    nothing = max(0.0, 1 - reading.confidence - sum(p for _, p in reading.rivals))
    total = sum(p for p, _ in heads)
    if not heads or total <= nothing:
        return None
    return max(heads)[1], total / (total + nothing)
