"""The joint decision: clefs, doubtful steps and flats of a run of staves together.

Single readings are weighed against each other: clef signs with their rivals, custodes with the
note they announce, the clef of the staff before, the usual range and intervals of chant. What
is overruled stays on record: the old reading is kept, a new one is put behind it, and a remark
names both. A clef nobody could read (the first one often hides behind an initial) is inferred
where the evidence suffices, and marked as inferred.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from neumary.accidentals import B_CLASS
from neumary.clef_chain import CERTAIN_P, ClefChain
from neumary.clef_verdicts import settle_clef, weigh_clefs
from neumary.clef_witness import doubt_clefs, may_differ, read_base
from neumary.custos_verdicts import settle_custodes
from neumary.gamut import FAINT, Sign, base_degree, degree_name, gives_exact_pitch, signs_by_staff
from neumary.measures import F64
from neumary.pushed_seconds import weigh_seconds
from neumary.record import OVERRULED, Decision, Record
from neumary.step_chain import Node, best_steps
from neumary.stretches import Stretch, clef_hypotheses, cut_stretches, distribution
from neumary.types import Glyph, Reading, Staff
from neumary_models.labels import CLEFS

_BLIND_DOUBT: Final = 0.5  # chance that habits mislead where the whole run shows no clef at all
_OVERRULE_P: Final = 0.7  # a believed clef is not overruled for anything less probable than this
_LEAVE_OUT_P: Final = 0.9  # nor one in mid-staff, where other signs are taken for clefs, left out for less
_HIDDEN_CLEF_P: Final = 0.15  # a leftmost sign whose clef rivals reach this may be the clef
_FLAT_LEAST_P: Final = 0.05  # a neighbouring B step must reach this for a flat to move there


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
    use) alone: a clef needs a custos or a flat that bears witness, a step stays as it is. Only what was
    read as a clef in mid-staff is left out where the notes after it leave it less than one chance in ten.
    What a person has read is never overruled.
    """
    record = Record(list(glyphs), list(readings))
    current = {r.glyph: r for r in readings}
    faint = {name for name, reading in current.items() if reading.note == FAINT}
    if not decide:
        record.dropped = faint
        return record.decision()
    by_staff = signs_by_staff(staves, glyphs, readings)
    weigh_seconds([staff for staff in staves if gives_exact_pitch(staff)], by_staff, record)
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


def _fair(run: Sequence[Stretch], chain: ClefChain, bases: Sequence[int], marginals: F64, i: int) -> bool:
    """Whether a believed clef is kept, or overruled with witnesses and a clear majority of the odds.

    One in mid-staff is left out without witnesses if the odds are clear enough: nothing changes there then.
    """
    if not any(not s.is_faint for s in run[i].clefs) or bases[i] == read_base(run[i]):
        return True
    p = float(marginals[i][chain.bases.index(bases[i])])
    if not run[i].opens_staff and bases[i] == bases[i - 1] and p >= _LEAVE_OUT_P:
        return True
    return p >= _OVERRULE_P and may_differ(run, bases, i)


def _shows(stretch: Stretch, base: int) -> bool:
    """Whether something on the leaf, if only faint, is a clef that gives this base."""
    signs = [key for sign in stretch.clefs for key in clef_hypotheses(sign.reading)]
    return stretch.shows_clef or any(base_degree(*key) == base for key in signs)


def _humbled(odds: F64, use: F64) -> F64:
    """Odds of clefs on a run that shows none at all: habits alone are too sure of themselves."""
    return (1 - _BLIND_DOUBT) * odds + _BLIND_DOUBT * use


def _hidden_clef(signs: Sequence[Sign]) -> Sign | None:
    """Leftmost sign of a staff without a clef, if it might be one."""
    if not signs or any(s.is_clef for s in signs):
        return None
    first = min(signs, key=lambda s: s.glyph.col)
    p = sum(p for label, p in first.reading.rivals if label in CLEFS)
    return first if p >= _HIDDEN_CLEF_P and clef_hypotheses(first.reading) else None


def _settle(run: list[Stretch], chant: bool, record: Record) -> None:
    """One run of staves."""
    if not run:
        return
    chain = ClefChain(run, chant)
    human = {i: read_base(s) for i, s in enumerate(run) if any(c.reading.by == "human" for c in s.clefs)}
    odds = chain.marginals(human)
    bases, contested = _fair_bases(run, chain, odds, human)
    doubt_clefs(run, chain, bases, contested, record)
    blind = not any(s.observed or s.guide is not None for s in run)
    known: list[int | None] = []
    for i, stretch in enumerate(run):
        unseen = blind and not _shows(stretch, bases[i])
        here = _humbled(odds[i], chain.use[i]) if unseen else odds[i]
        p = dict(zip(chain.bases, (float(q) for q in here), strict=True))
        others = {b: q for b, q in p.items() if b != bases[i]}
        known.append(settle_clef(run, i, bases, p[bases[i]], others, record))
        if stretch.observed and i not in human:
            weigh_clefs(stretch, bases[i], p[bases[i]], record)
    settle_custodes(run, known, record)
    _settle_steps(run, known, chant, record)
    if chant:
        for stretch, base in zip(run, known, strict=True):
            _settle_flats(stretch, base, record)


def _fair_bases(
    run: Sequence[Stretch], chain: ClefChain, odds: F64, human: dict[int, int]
) -> tuple[list[int], dict[int, int]]:
    """Bases decided, and what else all evidence would rather have for clefs that are kept as read.

    A clef kept for want of proof says no more to its neighbours than it did before.
    """
    bases = [chain.bases[int(k)] for k in odds.argmax(axis=1)]
    contested: dict[int, int] = {}
    while True:  # each round settles at least one stretch, so this ends
        unfair = [
            i
            for i in range(len(run))
            if i not in human and i not in contested and not _fair(run, chain, bases, odds, i)
        ]
        if not unfair:
            return bases, contested
        for i in unfair:
            contested[i], bases[i] = bases[i], read_base(run[i])


# Steps and flats --------------------------------------------------------------------------------


def _settle_steps(run: Sequence[Stretch], bases: Sequence[int | None], chant: bool, record: Record) -> None:
    nodes: list[Node] = []
    for stretch, base in zip(run, bases, strict=True):
        if base is None:
            _settle_nodes(nodes, chant, record)
            nodes = []
            continue
        custos = stretch.custos
        signs = [s for s in stretch.signs if s is custos or (s.is_head and s is not stretch.hidden)]
        for sign in signs:
            node = Node(sign, base)
            nodes += [node] if node.choices else []
    _settle_nodes(nodes, chant, record)


def _settle_nodes(nodes: Sequence[Node], chant: bool, record: Record) -> None:
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


def _settle_flats(stretch: Stretch, base: int | None, record: Record) -> None:
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


def _overrule_step(sign: Sign, step: int, code: str, text: str, record: Record) -> None:
    was = sign.reading.step
    odds = distribution(sign.reading)
    steps = tuple(sorted(odds, key=lambda pair: (pair[0] != step, -pair[1], pair[0])))
    record.say(code, text, sign.glyph.staff, sign.glyph.id)
    record.put(sign, step=step, steps=steps, note=f"{OVERRULED}: step {was}")
