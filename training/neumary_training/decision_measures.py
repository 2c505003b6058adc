"""Counts behind `neumary_training.decision_eval`: staves, clefs and steps against the truth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Final

import msgspec
import numpy as np

from neumary.gamut import line_step
from neumary.measures import match
from neumary.page_matching import Placed, place_signs, sign_costs
from neumary.types import Page

CAUGHT_CODES: Final = frozenset(
    {"clef-overruled", "clef-doubtful", "clef-inferred", "clef-unknown", "clefs-disagree", "custos-mismatch"}
)
"""Warnings that send a reader to the clef of the staff they name."""

_NOTE_SPACES: Final = 0.5


@dataclass(slots=True)
class ClefCount:
    """Staves by what became of their clef; a staff counts if four of its notes were found."""

    staves: int = 0
    right: int = 0
    wrong_warned: int = 0
    wrong_silent: int = 0
    right_warned: int = 0
    hidden: int = 0  # no clef sign of the truth can be seen before the first note
    hidden_right: int = 0
    hidden_warned: int = 0  # wrong, or unknown, and said so

    def as_dict(self) -> dict[str, int]:
        """Plain values."""
        return asdict(self)


@dataclass(slots=True)
class StepCount:
    """Steps the decision changed."""

    fixed: int = 0
    harmed: int = 0
    moved: int = 0  # wrong before and after

    def as_dict(self) -> dict[str, int]:
        """Plain values."""
        return asdict(self)


def _heads(page: Page) -> list[Placed]:
    return [p for p in place_signs(page) if p.sign.is_head]


def matched_heads(read: Page, truth: Page) -> list[tuple[Placed, Placed]]:
    """Heads of both sides paired by place."""
    ours, theirs = _heads(read), _heads(truth)
    return [(ours[i], theirs[j]) for i, j in match(sign_costs(ours, theirs), _NOTE_SPACES)]


def _base(placed: Placed) -> int | None:
    symbol, step = placed.symbol, placed.sign.reading.step
    return None if symbol is None or step is None else symbol[0] - step


def staff_pairs(read: Page, truth: Page) -> dict[str, tuple[int | None, int]]:
    """Degree of the bottom line at the opening of each read staff, read and true, by staff id.

    The commonest among the first six matched notes of a staff; staves with fewer than four
    matched notes are left out.
    """
    found: dict[str, list[tuple[int | None, int | None]]] = {}
    for ours, theirs in matched_heads(read, truth):
        found.setdefault(ours.sign.glyph.staff, []).append((_base(ours), _base(theirs)))
    pairs: dict[str, tuple[int | None, int]] = {}
    for staff, bases in found.items():
        true = Counter(b for _, b in bases[:6] if b is not None).most_common(1)
        if len(bases) >= 4 and true:
            pairs[staff] = (Counter(a for a, _ in bases[:6]).most_common(1)[0][0], true[0][0])
    return pairs


def count_clefs(count: ClefCount, read: Page, truth: Page, pairs: dict[str, tuple[int | None, int]]) -> None:
    """Add up the staves of one page."""
    ours = staff_pairs(read, truth)
    warned = {w.staff for w in read.warnings if w.code in CAUGHT_CODES}
    hidden = hidden_staves(read, truth)
    for staff in pairs:
        base, true = ours[staff]
        count.staves += 1
        count.right += base == true
        count.right_warned += base == true and staff in warned
        count.wrong_warned += base != true and (staff in warned or base is None)
        count.wrong_silent += base != true and base is not None and staff not in warned
        if staff in hidden:
            count.hidden += 1
            count.hidden_right += base == true
            count.hidden_warned += base != true and (staff in warned or base is None)


def hidden_staves(read: Page, truth: Page) -> set[str]:
    """Read staves on whose true staff no clef stands before the first note."""
    open_staves: set[int] = set()
    seen: set[int] = set()
    for placed in place_signs(truth):
        if placed.staff in seen:
            continue
        if placed.sign.is_clef:
            seen.add(placed.staff)
        elif placed.sign.is_head:
            seen.add(placed.staff)
            open_staves.add(placed.staff)
    return {a.sign.glyph.staff for a, b in matched_heads(read, truth) if b.staff in open_staves}


def count_steps(count: StepCount, before: Page, after: Page, truth: Page) -> None:
    """Steps of matched heads before and after the decision."""
    changed = {b.sign.glyph.id: b.sign.reading.step for b in _heads(after)}
    for ours, theirs in matched_heads(before, truth):
        was, now, true = ours.sign.reading.step, changed.get(ours.sign.glyph.id), theirs.sign.reading.step
        if was == now or true is None:
            continue
        count.fixed += now == true
        count.harmed += was == true
        count.moved += true not in (was, now)


def reliability(read: Page, truth: Page) -> list[tuple[float, bool]]:
    """Probability said of each matched head's step, and whether the step is right."""
    return [
        (
            dict(a.sign.reading.steps).get(a.sign.reading.step or 0, 1.0),
            a.sign.reading.step == b.sign.reading.step,
        )
        for a, b in matched_heads(read, truth)
        if a.sign.reading.steps and b.sign.reading.step is not None
    ]


def clef_plants(raw: Page, before: Page, truth: Page, name: str) -> Iterator[tuple[Page, str, int]]:
    """A page with one clef misread, if it has custodes and a clef rightly read: (page, staff, true base).

    The opening C clef of one staff, drawn by the page's name, is called F (or F called C) on the
    same line, just as surely as it was read, without a rival. `before` is the page with pitches
    but without a decision.
    """
    if not any(p.sign.label == "custos" for p in place_signs(truth)):
        return
    right = {staff: true for staff, (base, true) in staff_pairs(before, truth).items() if base == true}
    found: dict[str, Placed] = {}
    for placed in place_signs(raw):
        sign = placed.sign
        if sign.is_clef and not placed.clefs_before > 1 and sign.glyph.staff in right:
            found.setdefault(sign.glyph.staff, placed)
    wanted = {
        s: p
        for s, p in found.items()
        if p.sign.label in ("clef_c", "clef_f") and line_step(p.sign.reading) is not None
    }
    if len(right) < 2 or not wanted:
        return
    staff = sorted(wanted)[int(np.random.default_rng(list(name.encode())).integers(len(wanted)))]
    sign = wanted[staff].sign
    other = {"clef_c": "clef_f", "clef_f": "clef_c"}[sign.label]
    slipped = msgspec.structs.replace(sign.reading, label=other, rivals=())
    readings = tuple(slipped if r.glyph == sign.glyph.id else r for r in raw.readings)
    yield msgspec.structs.replace(raw, readings=readings), staff, right[staff]
