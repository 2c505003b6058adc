"""The joint decision: clefs, doubtful steps and flats of a run of staves together.

Single readings are weighed against each other: clef signs with their rivals, custodes with the
note they announce, the clef of the staff before, the usual range and intervals of chant. What
is overruled stays on record: the old reading is kept, a new one is put behind it, and a remark
names both. A clef nobody could read (the first one often hides behind an initial) is inferred
where the evidence suffices, and marked as inferred.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import msgspec

from neumary.accidentals import B_CLASS
from neumary.clef_chain import CERTAIN_P, OTHER_LETTER, ClefChain, custos_agrees, custos_posterior
from neumary.gamut import (
    FAINT,
    Sign,
    base_degree,
    clef_name,
    degree_name,
    gives_exact_pitch,
    line_step,
    signs_by_staff,
)
from neumary.step_chain import Node, best_steps
from neumary.stretches import Stretch, clef_hypotheses, cut_stretches, distribution, usual_clefs
from neumary.types import Box, Glyph, Reading, Remark, Staff
from neumary_models.labels import CLEFS

INFER_LEAST_P: Final = 0.5
"""An inferred clef less probable than this is not given: contour only is the honest answer."""

DOUBT_LETTER_ODDS: Final = 3.0
"""A C (or F) clef is warned of where the rest of the page gives the other letter so many times its odds."""

DOUBT_LINE_ODDS: Final = 100.0
"""The same for any other clef: letters are taken for each other, lines hardly ever. Both set on rendered
pages: nine plants in ten are found, one sound clef in thirty is doubted."""

_HABIT_DOUBT: Final = 0.1  # chance that the habits weighed here are not this scribe's (design figure)
_BLIND_DOUBT: Final = 0.5  # the same where the whole run shows no clef at all
_HIDDEN_CLEF_P: Final = 0.15  # a leftmost sign whose clef rivals reach this may be the clef
_FLAT_LEAST_P: Final = 0.05  # a neighbouring B step must reach this for a flat to move there


class Decision(NamedTuple):
    """What the joint decision hands on.

    Attributes
    ----------
    glyphs : list of Glyph
        Those that came in, and one for each inferred clef (id: staff id + "-clef"), less those
        dropped: faint signs nothing speaks for, and clefs in mid-staff the melody contradicts.
    readings : list of Reading
        Those that came in, and behind them the new ones; the last one of a glyph holds.
    remarks : list of Remark
        Codes: ``clef-inferred``, ``clef-unknown``, ``clef-overruled``, ``clef-doubtful``, ``clef-faint``,
        ``clef-ignored``, ``step-overruled``, ``flat-moved``.
    """

    glyphs: list[Glyph]
    readings: list[Reading]
    remarks: list[Remark]


@dataclass(slots=True)
class _Record:
    """What the decision collects on its way."""

    glyphs: list[Glyph]
    readings: list[Reading]
    remarks: list[Remark] = field(default_factory=list)
    dropped: set[str] = field(default_factory=set)  # glyph ids

    def say(self, code: str, text: str, staff: str, glyph: str = "") -> None:
        self.remarks.append(Remark(code=code, text=text, staff=staff, glyph=glyph))

    def decision(self) -> Decision:
        return Decision(
            [g for g in self.glyphs if g.id not in self.dropped],
            [r for r in self.readings if r.glyph not in self.dropped],
            self.remarks,
        )


def decide(
    staves: Sequence[Staff],
    glyphs: Sequence[Glyph],
    readings: Sequence[Reading],
    *,
    decide: bool = True,
    repertoire: str = "chant",
) -> Decision:
    """Settle clefs, doubtful steps and flats of a page jointly.

    Parameters
    ----------
    staves : sequence of Staff
        In reading order. Staves that give no exact pitch break the run.
    glyphs, readings : sequence of Glyph, of Reading
        Signs and what they were read as, pitches not needed. Readings whose note is
        `neumary.stretches.FAINT` are candidates only: without a decision they are dropped.
    decide : bool
        False hands everything else back untouched.
    repertoire : {"chant", "song", "polyphony"}
        Outside chant, its range, its intervals and the rule that only B is flattened are not used.

    Returns
    -------
    Decision

    Notes
    -----
    A reading with a probability over 0.9 is never overruled by habits (range, intervals, clef
    use) alone: a clef needs a custos or a flat that bears witness, a step stays as it is. What a
    person has read is never overruled.
    """
    record = _Record(list(glyphs), list(readings))
    current = {r.glyph: r for r in readings}
    faint = {name for name, reading in current.items() if reading.note == FAINT}
    if not decide:
        record.dropped = faint
        return record.decision()
    by_staff = signs_by_staff(staves, glyphs, readings)
    run: list[Stretch] = []
    for staff in staves:
        if gives_exact_pitch(staff):
            run += cut_stretches(staff, by_staff[staff.id], _hidden_clef(by_staff[staff.id]))
        else:
            _settle(run, repertoire == "chant", record)
            record.dropped |= {s.glyph.id for s in by_staff[staff.id] if s.is_faint}
            run = []
    _settle(run, repertoire == "chant", record)
    return record.decision()


def _hidden_clef(signs: Sequence[Sign]) -> Sign | None:
    """Leftmost sign of a staff without a clef, if it might be one."""
    if not signs or any(s.is_clef for s in signs):
        return None
    first = min(signs, key=lambda s: s.glyph.col)
    p = sum(p for label, p in first.reading.rivals if label in CLEFS)
    return first if p >= _HIDDEN_CLEF_P and clef_hypotheses(first.reading) else None


def _settle(run: list[Stretch], chant: bool, record: _Record) -> None:
    """One run of staves."""
    if not run:
        return
    chain = ClefChain(run, chant)
    pinned = {i: _read_base(s) for i, s in enumerate(run) if any(c.reading.by == "human" for c in s.clefs)}
    bases = chain.best(pinned)
    while True:  # each round pins at least one stretch, so this ends
        unfair = [i for i in range(len(run)) if i not in pinned and not _may_differ(run, bases, i)]
        if not unfair:
            break
        pinned |= {i: _read_base(run[i]) for i in unfair}
        bases = chain.best(pinned)
    _doubt_clefs(run, chain, bases, record)
    marginals = chain.marginals(pinned)
    doubt = _HABIT_DOUBT if any(s.observed for s in run) else _BLIND_DOUBT
    known: list[int | None] = []
    for i, stretch in enumerate(run):
        odds = marginals[i]
        if not stretch.observed:
            odds = (1 - doubt) * odds + doubt * chain.usual(stretch)
        p = float(odds[chain.bases.index(bases[i])])
        others = {b: float(odds[k]) for k, b in enumerate(chain.bases) if b != bases[i]}
        known.append(_settle_clef(run, i, bases, p, others, record))
    _settle_custodes(run, known, record)
    _settle_steps(run, known, chant, record)
    if chant:
        for stretch, base in zip(run, known, strict=True):
            _settle_flats(stretch, base, record)


def _doubt_clefs(run: Sequence[Stretch], chain: ClefChain, bases: Sequence[int], record: _Record) -> None:
    """Warn where the rest of the page, the clef itself covered up, speaks against a clef that is kept."""
    rest = chain.without_its_clef()
    for stretch, base, odds in zip(run, bases, rest, strict=True):
        as_read = [s for s in stretch.clefs if not s.is_faint and _base_of(s) == base]
        if not as_read or not stretch.heads or any(s.reading.by == "human" for s in as_read):
            continue
        sign = max(as_read, key=lambda s: s.reading.confidence)
        at = dict(zip(chain.bases, odds, strict=True))
        step = line_step(sign.reading) or 0
        slipped = base_degree(OTHER_LETTER[sign.label], step) if sign.label in OTHER_LETTER else base
        other = max(at, key=lambda b: at[b])
        if at.get(slipped, 0.0) > DOUBT_LETTER_ODDS * at[base]:
            other = slipped
        elif at[other] <= DOUBT_LINE_ODDS * at[base]:
            continue
        text = (
            f"Staff {stretch.staff.id}: the {clef_name(sign.label, step)} is kept as read, but its neighbours, "
            f"custodes and the range of the melody would rather have every note {_shift_name(other - base)}."
        )
        record.say("clef-doubtful", text, stretch.staff.id, sign.glyph.id)


def _base_of(sign: Sign) -> int | None:
    step = line_step(sign.reading)
    return None if step is None else base_degree(sign.label, step)


def _shift_name(degrees: int) -> str:
    return f"{abs(degrees)} step{'s' if abs(degrees) > 1 else ''} {'higher' if degrees > 0 else 'lower'}"


def _read_base(stretch: Stretch) -> int:
    """Base of the surest clef sign of a stretch; a person's before a machine's."""
    odds = [
        (s.reading.by == "human", p * s.reading.confidence, k)
        for s in stretch.clefs
        for k, p in clef_hypotheses(s.reading).items()
    ]
    return base_degree(*max(odds)[2])


def _certainty(stretch: Stretch) -> float:
    """Probability, label and line together, of the surest clef sign of a stretch."""
    sure = 0.0
    for sign in stretch.clefs:
        on_line = [p for s, p in distribution(sign.reading) if s % 2 == 0]
        sure = max(sure, sign.reading.confidence * max(on_line, default=0.0))
    return sure


def _may_differ(run: Sequence[Stretch], bases: Sequence[int], i: int) -> bool:
    """Whether the chosen base respects a certain clef, or witnesses speak against that clef.

    One more custos or flat suffices to take a C for an F on the same line; that a certain sign
    should stand on another line takes two.
    """
    read = _read_base(run[i]) if run[i].clefs else bases[i]
    if _certainty(run[i]) <= CERTAIN_P or bases[i] == read:
        return True
    letters = {
        base_degree(OTHER_LETTER[s.label], line_step(s.reading) or 0)
        for s in run[i].clefs
        if s.label in OTHER_LETTER
    }
    needed = 1 if bases[i] in letters else 2
    return _witnesses(run, bases, i, bases[i]) >= _witnesses(run, bases, i, read) + needed


def _witnesses(run: Sequence[Stretch], bases: Sequence[int], i: int, base: int) -> int:
    """Custodes on either side and flats that fit a base."""
    count = 0
    at = dict(enumerate(bases)) | {i: base}
    for a in (i - 1, i):
        if a >= 0 and a + 1 < len(run) and (custos := run[a].custos) is not None and run[a + 1].heads:
            count += custos_agrees(custos, run[a + 1].heads[0], at[a], at[a + 1])
    flats = [s for s in run[i].signs if s.label == "flat" and s.reading.step is not None]
    return count + sum((base + (s.reading.step or 0)) % 7 == B_CLASS for s in flats)


# Clefs ------------------------------------------------------------------------------------------


def _settle_clef(
    run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, others: dict[int, float], record: _Record
) -> int | None:
    """Put one stretch's clef on record; its base, or None where it stays unknown."""
    stretch, base = run[i], bases[i]
    kept = _keep_clefs(run, i, bases, p, record)
    if not stretch.opens_staff or (stretch.clefs and kept):
        return base
    if (stretch.observed and not stretch.clefs) or not stretch.signs:
        return base
    if stretch.hidden is not None:
        as_clef = {
            k: q for k, q in clef_hypotheses(stretch.hidden.reading).items() if base_degree(*k) == base
        }
        if as_clef and p > 0.5:
            label, step = max(as_clef, key=lambda k: (as_clef[k], k))
            _replace_clef(stretch.staff, stretch.hidden, label, step, p, record)
            return base
    if not any(s.is_head or s.label == "custos" for s in stretch.signs):
        return base
    if p < INFER_LEAST_P:
        text = f"Staff {stretch.staff.id} shows no clef, and its neighbours do not settle which it has."
        record.remarks.append(Remark(code="clef-unknown", text=text, staff=stretch.staff.id))
        return None
    _infer_clef(run, i, bases, p, others, record)
    return base


def _keep_clefs(run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, record: _Record) -> bool:
    """Put the clef signs of a stretch on record as kept, overruled or dropped; whether any is left."""
    stretch, base = run[i], bases[i]
    before = bases[i - 1] if i and not stretch.opens_staff else None
    left = 0
    for sign in stretch.clefs:
        agrees = _base_of(sign) == base
        fits = agrees or any(base_degree(*k) == base for k in clef_hypotheses(sign.reading))
        if sign.is_faint and (not fits or before == base):
            record.dropped.add(sign.glyph.id)
            continue
        if before == base and not agrees and sign.reading.by != "human":
            _ignore_clef(stretch.staff, sign, record)
            continue
        left += 1
        if not agrees:
            _overrule_clef(stretch.staff, sign, base, p, len(stretch.clefs) > 1, record)
        elif sign.is_faint:
            name = clef_name(sign.label, line_step(sign.reading) or 0)
            text = (
                f"Staff {stretch.staff.id}: a faint sign (p {sign.reading.confidence:.2f}) is taken as the "
                f"{name}; its neighbours and the melody bear it out."
            )
            record.say("clef-faint", text, stretch.staff.id, sign.glyph.id)
            _take_up(sign, p, record)
    return left > 0


def _take_up(sign: Sign, p: float, record: _Record) -> None:
    """A faint sign others bear witness for."""
    reading = msgspec.structs.replace(
        sign.reading, confidence=round(p, 4), by="decided", note="faint, borne out"
    )
    record.readings.append(reading)


def _ignore_clef(staff: Staff, sign: Sign, record: _Record) -> None:
    name = clef_name(sign.label, sign.reading.step or 0)
    text = (
        f"Staff {staff.id}: what was read as a {name} in mid-staff (p {sign.reading.confidence:.2f}, at "
        f"row {sign.glyph.row:.0f}, column {sign.glyph.col:.0f}) is left out: the notes after it speak "
        "against it."
    )
    record.say("clef-ignored", text, staff.id)
    record.dropped.add(sign.glyph.id)


def _overrule_clef(staff: Staff, sign: Sign, base: int, p: float, double: bool, record: _Record) -> None:
    odds = clef_hypotheses(sign.reading)
    step = line_step(sign.reading)
    if sign.reading.by == "human" or step is None or base_degree(sign.label, step) == base:
        return
    fitting = {k: q for k, q in odds.items() if base_degree(*k) == base}
    if double and not fitting:
        return  # `pitch` warns that the two clefs disagree
    label, on = _clef_for(base, staff, fitting, sign.label, step)
    _replace_clef(staff, sign, label, on, p, record)


def _clef_for(
    base: int, staff: Staff, fitting: dict[tuple[str, int], float], label: str, step: int
) -> tuple[str, int]:
    """The clef that gives a base: as read if possible, else on the same line, else by use."""
    if fitting:
        return max(fitting, key=lambda k: (fitting[k], k))
    for other in ("clef_c", "clef_f"):
        if base_degree(other, step) == base:
            return other, step
    use = {k: q for k, q in usual_clefs(staff).items() if base_degree(*k) == base}
    return max(use, key=lambda k: (use[k], k)) if use else (label, base_degree(label, 0) - base)


def _replace_clef(staff: Staff, sign: Sign, label: str, step: int, p: float, record: _Record) -> None:
    was = clef_name(sign.label, sign.reading.step or 0) if sign.is_clef else f"a {sign.label}"
    text = (
        f"Staff {staff.id}: read as {was} (p {sign.reading.confidence:.2f}), taken as the "
        f"{clef_name(label, step)} (p {p:.2f}) because its neighbours, custodes or flats ask for it."
    )
    record.remarks.append(Remark(code="clef-overruled", text=text, staff=staff.id, glyph=sign.glyph.id))
    rivals = ((sign.label, round(max(0.0, 1 - p), 4)),) if label != sign.label else ()
    record.readings.append(
        msgspec.structs.replace(
            sign.reading,
            label=label,
            confidence=round(p, 4),
            rivals=rivals,
            step=step,
            steps=((step, 1.0),),
            by="decided",
            note=f"overruled: {was}",
        )
    )


def _infer_clef(
    run: Sequence[Stretch], i: int, bases: Sequence[int], p: float, others: dict[int, float], record: _Record
) -> None:
    """A clef no ink shows: a glyph at the left of the staff's signs, marked as inferred."""
    stretch, base = run[i], bases[i]
    staff = stretch.staff
    label, step = _familiar_clef(run, i, bases, base)
    ranked = sorted(others.items(), key=lambda pair: (-pair[1], pair[0]))
    rest = [(step + base - b, round(q, 4)) for b, q in ranked if q >= 0.01]
    col = max(0.0, min(s.glyph.col for s in stretch.signs) - staff.space_px)
    row = staff.row_of(step, col)
    half = staff.space_px / 2
    box = Box(
        max(0, int(row - half)), max(0, int(col - half)), max(1, int(row + half)), max(1, int(col + half))
    )
    glyph = Glyph(id=f"{staff.id}-clef", staff=staff.id, row=row, col=col, box=box)
    record.glyphs.append(glyph)
    record.readings.append(
        Reading(
            glyph=glyph.id,
            label=label,
            confidence=round(p, 4),
            step=step,
            steps=((step, round(p, 4)), *rest),
            by="inferred",
            note="no clef seen",
        )
    )
    text = f"No clef was seen on staff {staff.id}; the {clef_name(label, step)} is inferred (p {p:.2f})."
    record.remarks.append(Remark(code="clef-inferred", text=text, staff=staff.id, glyph=glyph.id))


def _familiar_clef(run: Sequence[Stretch], i: int, bases: Sequence[int], base: int) -> tuple[str, int]:
    """Letter and line for a base: the nearest clef sign of the run that gives it, else by use."""
    for j in sorted(range(len(run)), key=lambda j: (abs(j - i), j)):
        for sign in run[j].clefs:
            step = line_step(sign.reading)
            if step is not None and bases[j] == base and base_degree(sign.label, step) == base:
                return sign.label, step
    return _clef_for(base, run[i].staff, {}, "clef_c", -1)


# Custodes ---------------------------------------------------------------------------------------


def _settle_custodes(run: Sequence[Stretch], bases: Sequence[int | None], record: _Record) -> None:
    """Take up the faint custodes that announce the next note truly, drop the others."""
    for i, stretch in enumerate(run):
        for sign in stretch.signs:
            if sign.label != "custos" or not sign.is_faint:
                continue
            p = 0.0
            after = run[i + 1] if i + 1 < len(run) else None
            a, b = bases[i], bases[i + 1] if after is not None else None
            if (
                sign is stretch.custos
                and after is not None
                and after.heads
                and a is not None
                and b is not None
            ):
                p = custos_posterior(sign, after.heads, b - a)
            if p > 0.5:
                _take_up(sign, p, record)
            else:
                record.dropped.add(sign.glyph.id)


# Steps and flats --------------------------------------------------------------------------------


def _settle_steps(run: Sequence[Stretch], bases: Sequence[int | None], chant: bool, record: _Record) -> None:
    nodes: list[Node] = []
    for stretch, base in zip(run, bases, strict=True):
        if base is None:
            _settle_nodes(nodes, chant, record)
            nodes = []
            continue
        custos = stretch.custos
        signs = [s for s in stretch.signs if s is custos or (s.is_head and s is not stretch.hidden)]
        for k, sign in enumerate(signs):
            node = Node(sign, base, breaks=k == 0)
            nodes += [node] if node.choices else []
    _settle_nodes(nodes, chant, record)


def _settle_nodes(nodes: Sequence[Node], chant: bool, record: _Record) -> None:
    for node, step in zip(nodes, best_steps(nodes, melody=chant), strict=True):
        reading = node.sign.reading
        if step == reading.step or reading.step is None:
            continue
        before, after = degree_name(node.base + reading.step), degree_name(node.base + step)
        odds = dict(distribution(reading))
        text = (
            f"A {reading.label} read as {before} (p {odds.get(reading.step, 0.0):.2f}) is taken as {after} "
            f"(p {odds.get(step, 0.0):.2f}): the melody around it asks for it."
        )
        _overrule_step(node.sign, step, "step-overruled", text, record)


def _settle_flats(stretch: Stretch, base: int | None, record: _Record) -> None:
    """Move a doubtful flat to the B beside it: only B may be flattened."""
    for sign in stretch.signs:
        step = sign.reading.step
        if (
            base is None
            or sign.label not in ("flat", "natural")
            or step is None
            or (base + step) % 7 == B_CLASS
        ):
            continue
        odds = distribution(sign.reading)
        on_b = [(p, s) for s, p in odds if (base + s) % 7 == B_CLASS and p >= _FLAT_LEAST_P]
        if not on_b or dict(odds).get(step, 0.0) > CERTAIN_P or sign.reading.by == "human":
            continue
        there = max(on_b)[1]
        text = (
            f"A {sign.label} read at {degree_name(base + step)} is taken at {degree_name(base + there)}: "
            "only B takes one in chant."
        )
        _overrule_step(sign, there, "flat-moved", text, record)


def _overrule_step(sign: Sign, step: int, code: str, text: str, record: _Record) -> None:
    was = sign.reading.step
    odds = distribution(sign.reading)
    steps = tuple(sorted(odds, key=lambda pair: (pair[0] != step, -pair[1], pair[0])))
    record.remarks.append(Remark(code=code, text=text, staff=sign.glyph.staff, glyph=sign.glyph.id))
    record.readings.append(
        msgspec.structs.replace(
            sign.reading, step=step, steps=steps, by="decided", note=f"overruled: step {was}"
        )
    )
