"""What speaks against a clef as it was read: witnesses that may overrule it, doubts that are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from neumary.accidentals import B_CLASS
from neumary.clef_chain import CERTAIN_P, OTHER_LETTER, ClefChain
from neumary.custos_belief import custos_agrees
from neumary.gamut import Sign, base_degree, clef_name, line_step
from neumary.record import Record
from neumary.stretches import Stretch, clef_hypotheses, distribution
from neumary_models.labels import CLEFS

DOUBT_LETTER_ODDS: Final = 3.0
"""A C (or F) clef is warned of where the rest of the page gives the other letter so many times its odds."""

DOUBT_LINE_ODDS: Final = 100.0
"""The same for any other clef: letters are taken for each other, lines hardly ever. Both set on 60 rendered
pages kept out of training: of planted slips of the letter 96 % are put right or warned of where the scribe
writes custodes, of sound clefs 4 % are doubted."""

_DOUBTS: Final = 5.0  # a neighbour's clef so many times as doubtful bears no witness (design figure)
_LEAST_DOUBT: Final = 0.01  # even a sure clef is no surer than this, where it is weighed against another


def doubt_clefs(
    run: Sequence[Stretch],
    chain: ClefChain,
    bases: Sequence[int],
    contested: Mapping[int, int],
    record: Record,
) -> None:
    """Warn where the rest of the page, the clef itself covered up, speaks against a clef that is kept.

    Parameters
    ----------
    run : sequence of Stretch
    chain : ClefChain
    bases : sequence of int
        Degree of the bottom line decided for each stretch.
    contested : mapping of int to int
        Stretches whose clef is kept though another base is likelier even with it, and that base.
    record : Record
        Takes the remarks, code ``clef-doubtful``: the one staff, the clef as read and what it may be.
    """
    rest = chain.without_its_clef()
    for i, (stretch, base) in enumerate(zip(run, bases, strict=True)):
        as_read = [s for s in stretch.clefs if not s.is_faint and sign_base(s) == base]
        if not as_read or not stretch.heads or any(s.reading.by == "human" for s in as_read):
            continue
        sign = max(as_read, key=lambda s: s.reading.confidence)
        at = dict(zip(chain.bases, (float(p) for p in rest[i]), strict=True))
        other = contested.get(i, base)
        if other == base and len({s.label for s in as_read}) == 1:  # two letters bear each other witness
            other = _rather(sign, base, at)
        if other != base:
            _doubt(stretch, sign, base, other, record)


def _rather(sign: Sign, base: int, at: Mapping[int, float]) -> int:
    """Base that is so much likelier than the one read that a slip of the reader is worth a look."""
    if sign.label in OTHER_LETTER:
        slipped = base_degree(OTHER_LETTER[sign.label], line_step(sign.reading) or 0)
        if at.get(slipped, 0.0) > DOUBT_LETTER_ODDS * at[base]:
            return slipped
    best = max(at, key=lambda b: at[b])
    return best if at[best] > DOUBT_LINE_ODDS * at[base] else base


def _doubt(stretch: Stretch, sign: Sign, base: int, other: int, record: Record) -> None:
    step = line_step(sign.reading) or 0
    letter = OTHER_LETTER.get(sign.label, "")
    slipped = letter and base_degree(letter, step) == other
    meant = f"a {clef_name(letter, step)}" if slipped else "another clef or line"
    text = (
        f"Staff {stretch.staff.id}: the {clef_name(sign.label, step)} is kept as read, but neighbours, "
        f"custodes and the range of the melody ask for {meant}: every note {_shift_name(other - base)}."
    )
    record.say("clef-doubtful", text, stretch.staff.id, sign.glyph.id)


def sign_base(sign: Sign) -> int | None:
    """Degree of the bottom line under a clef sign as read; None if it has no step."""
    step = line_step(sign.reading)
    return None if step is None else base_degree(sign.label, step)


def _shift_name(degrees: int) -> str:
    return f"{abs(degrees)} step{'s' if abs(degrees) > 1 else ''} {'higher' if degrees > 0 else 'lower'}"


def read_base(stretch: Stretch) -> int:
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


def may_differ(run: Sequence[Stretch], bases: Sequence[int], i: int) -> bool:
    """Whether the chosen base respects a certain clef, or witnesses speak against that clef.

    One more custos or flat suffices to take a C for an F on the same line, one of the rare letters for
    either, or the sign for a letter that the reader named beside its own; that a certain sign should stand on
    another line takes two.
    """
    read = read_base(run[i]) if run[i].clefs else bases[i]
    if _certainty(run[i]) <= CERTAIN_P or bases[i] == read:
        return True
    letters = {
        base_degree(label, line_step(s.reading) or 0)
        for s in run[i].clefs
        for label in {*(OTHER_LETTER if s.label not in OTHER_LETTER else [OTHER_LETTER[s.label]]), *_named(s)}
    }
    needed = 1 if bases[i] in letters else 2
    return _witnesses(run, bases, i, bases[i]) >= _witnesses(run, bases, i, read) + needed


def _named(sign: Sign) -> set[str]:
    """Clef letters among a sign's rivals."""
    return {label for label, _ in sign.reading.rivals if label in CLEFS}


def is_witnessed(run: Sequence[Stretch], i: int) -> bool:
    """Whether more than habit speaks of a clef that is not seen: a custos on either side, a flat, a paint.

    A custos at its own end bears witness only if the staff after it shows a clef.
    """
    here = run[i]
    announced = i > 0 and run[i - 1].custos is not None and not here.begins_beyond
    announces = here.custos is not None and i + 1 < len(run) and run[i + 1].shows_clef
    signed = any(s.label in ("flat", "natural") for s in here.signs)
    return announced or announces or signed or here.guide is not None


def _less_sure(neighbour: Stretch, here: Stretch) -> bool:
    """Whether a neighbour's own clef is so much more doubtful that it had better be put right itself."""
    if not neighbour.shows_clef or not here.clefs:
        return False
    doubt = max(1 - _certainty(here), _LEAST_DOUBT)
    return 1 - _certainty(neighbour) > _DOUBTS * doubt


def _is_announced(after: Stretch) -> bool:
    """Whether the note a custos before it announces can be seen."""
    return bool(after.heads) and not after.begins_beyond


def _witnesses(run: Sequence[Stretch], bases: Sequence[int], i: int, base: int) -> int:
    """Custodes on either side, flats, naturals and paints that fit a base."""
    count = int(run[i].guide == base)
    at = dict(enumerate(bases)) | {i: base}
    for a in (i - 1, i):
        if (
            a >= 0
            and a + 1 < len(run)
            and (custos := run[a].custos) is not None
            and _is_announced(run[a + 1])
            and not _less_sure(run[a if a < i else a + 1], run[i])
        ):
            count += custos_agrees(custos, run[a + 1].heads[0], at[a], at[a + 1])
    flats = [s for s in run[i].signs if s.label in ("flat", "natural") and s.reading.step is not None]
    return count + sum((base + (s.reading.step or 0)) % 7 == B_CLASS for s in flats)
