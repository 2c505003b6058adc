"""Stretches: the notes under one clef, and what a sign's reading says of clef and step."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from msgspec.structs import replace

from neumary.gamut import (
    CLEF_DEGREES,
    CUT_SPACES,
    FAINT,
    Sign,
    base_degree,
    clef_groups,
    clef_step,
    guide_clefs,
    leads,
    line_clef,
    runs_out,
)
from neumary.priors import CLEF_USE
from neumary.types import Reading, Staff
from neumary_models.labels import CLEFS

_CUT_BELIEF: Final = 0.2
"""How far a clef cut through by the picture's edge is believed: none of four on 800 rendered pages kept out
of training was one."""


@dataclass(slots=True)
class Stretch:
    """Signs of one staff under one clef."""

    staff: Staff
    signs: list[Sign] = field(default_factory=list)
    clefs: list[Sign] = field(default_factory=list)
    hidden: Sign | None = None  # leftmost sign that may be an unrecognised clef
    opens_staff: bool = True

    @property
    def heads(self) -> list[Sign]:
        """Heads in the order sung."""
        return [s for s in self.signs if s.is_head and s is not self.hidden]

    @property
    def custos(self) -> Sign | None:
        """A custos after the last head; of several the surest."""
        found: list[Sign] = []
        for sign in self.signs:
            if sign.is_head:
                found = []
            elif sign.label == "custos":
                found.append(sign)
        return max(found, key=lambda s: s.reading.confidence, default=None)

    @property
    def steps(self) -> list[int]:
        """Steps of the heads."""
        return [s.reading.step for s in self.heads if s.reading.step is not None]

    @property
    def shows_clef(self) -> bool:
        """Whether a clef is seen that is more than faint, or a coloured line gives it."""
        return any(not s.is_faint for s in self.clefs) or (
            self.opens_staff and line_clef(self.staff) is not None
        )

    @property
    def guide(self) -> int | None:
        """Degree of the bottom line by the paints of a full staff; None where they are silent."""
        guides = guide_clefs(self.staff) if self.opens_staff else ()
        return base_degree(*guides[0]) if guides else None

    @property
    def begins_beyond(self) -> bool:
        """Whether its clef, and with it some notes, lie beyond the edge of the picture."""
        return self.opens_staff and not self.shows_clef and runs_out(self.staff)

    @property
    def observed(self) -> bool:
        """Whether the leaf itself names the clef."""
        return bool(self.clefs) or (self.opens_staff and line_clef(self.staff) is not None)


def cut_stretches(staff: Staff, signs: list[Sign], hidden: Sign | None = None) -> list[Stretch]:
    """Cut the signs of a staff where clefs stand; one behind the custos, no note after it, opens nothing."""
    signs = [_less_believed(sign) if _is_cut(sign, staff) else sign for sign in signs]
    groups = clef_groups(signs)
    if groups and not leads(groups[-1][0], signs, staff.space_px) and _is_behind_all(groups[-1][0], signs):
        groups.pop()
    if groups and leads(groups[0][0], signs, staff.space_px):
        stretches = [Stretch(staff, clefs=groups.pop(0))]
    else:
        stretches = [Stretch(staff, hidden=None if groups else hidden)]
    starts = {group[0].glyph.id: group for group in groups}
    for sign in signs:
        if sign.glyph.id in starts:
            stretches.append(Stretch(staff, clefs=starts[sign.glyph.id], opens_staff=False))
        elif not sign.is_clef:
            stretches[-1].signs.append(sign)
    return stretches


def _is_cut(sign: Sign, staff: Staff) -> bool:
    """Whether what was read as a clef is cut through by the picture's edge: it may be half of any sign."""
    return sign.is_clef and sign.reading.by == "machine" and sign.glyph.col < CUT_SPACES * staff.space_px


def _less_believed(sign: Sign) -> Sign:
    reading = sign.reading
    rivals = tuple((label, _CUT_BELIEF * p) for label, p in reading.rivals if label in CLEFS)
    doubted = replace(reading, confidence=_CUT_BELIEF * reading.confidence, rivals=rivals, note=FAINT)
    return Sign(sign.glyph, doubted)


def _is_behind_all(clef: Sign, signs: list[Sign]) -> bool:
    """Whether the staff is over before a clef: a custos behind the last head, then the clef."""
    at = signs.index(clef)
    after = {s.label for s in signs[at:] if s.is_head or s.label == "custos"}
    before = [s.label for s in signs[:at] if s.is_head or (s.label == "custos" and not s.is_faint)]
    return not after and bool(before) and before[-1] == "custos"


def distribution(reading: Reading) -> list[tuple[int, float]]:
    """Steps of a reading with their probabilities, summing to 1."""
    if not reading.steps and reading.step is not None:
        return [(reading.step, 1.0)]
    total = sum(p for _, p in reading.steps)
    return [(s, p / total) for s, p in reading.steps if p > 0]


def clef_belief(reading: Reading) -> float:
    """Probability that a sign is a clef at all, of whatever letter."""
    labels = [(reading.label, reading.confidence), *reading.rivals]
    return min(1.0, sum(p for x, p in labels if x in CLEFS))


def clef_hypotheses(reading: Reading) -> dict[tuple[str, int], float]:
    """Probability of each (clef label, step on a line) given that the sign is a clef."""
    labels = [(reading.label, reading.confidence), *reading.rivals]
    clefs = [(x, p) for x, p in labels if x in CLEFS and p > 0]
    steps = [(s, p) for s, p in distribution(reading) if s % 2 == 0]
    if not steps and reading.step is not None:
        steps = [(reading.step - 1, 0.5), (reading.step + 1, 0.5)]
    total = sum(p for _, p in clefs) * sum(p for _, p in steps)
    return {(x, s): p * q / total for x, p in clefs for s, q in steps} if total else {}


def usual_clefs(staff: Staff) -> dict[tuple[str, int], float]:
    """Clefs by use, on the lines this staff has; sums to 1."""
    lines = max(len(staff.lines), 1)
    use = {(x, clef_step(line)): p for (x, line), p in CLEF_USE.items() if line <= max(lines, 4)}
    total = sum(use.values())
    return {key: p / total for key, p in use.items()}


def letter_clefs(staff: Staff) -> list[tuple[str, int]]:
    """Every letter but C and F on every line this staff has: (label, step)."""
    others = [label for label in sorted(CLEFS) if label not in ("clef_c", "clef_f")]
    return [(label, 2 * line) for label in others for line in range(max(len(staff.lines), 1))]


def letter_on_line(base: int, staff: Staff) -> tuple[str, int]:
    """Letter and step of a clef that gives the bottom line a degree, on a line of the staff or near one.

    Clefs stand on lines (common practice); of the seven letters one always does.
    """
    on_lines = [(label, d - base) for label, d in CLEF_DEGREES.items() if (d - base) % 2 == 0]
    top = 2 * (max(len(staff.lines), 1) - 1)
    return min(on_lines, key=lambda clef: (max(-clef[1], clef[1] - top, 0), clef))
