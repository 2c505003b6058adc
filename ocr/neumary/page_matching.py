"""The signs of two pages side by side: in reading order, paired by place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from neumary.gamut import Sign, signs_by_staff
from neumary.measures import F64, Symbol, match
from neumary.types import Page
from neumary_models.labels import BY_NAME

SOFT_PAIRS: Final = (("punctum", "virga"),)
"""Labels one hand may write for another: tails are short or left out (common practice)."""

_UNCERTAIN: Final = "uncertain"  # first word of Reading.note in a truth: neither for nor against


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """A sign in its place in the reading order."""

    sign: Sign
    staff: int
    space_px: float
    clefs_before: int  # clefs left of it on its staff
    first: bool  # first head of its staff
    clef_p: float = 1.0  # how sure the clef it stands under is
    clef_inferred: bool = False  # whether that clef was concluded, not seen

    @property
    def group(self) -> str:
        """Group of its label: head, clef, accidental, custos, division."""
        return BY_NAME[self.sign.label].group

    @property
    def symbol(self) -> Symbol:
        """Degree and alteration; None where no degree is known."""
        pitch = self.sign.reading.pitch
        if pitch is None or pitch.degree is None:
            return None
        return pitch.degree, pitch.alter


def place_signs(page: Page) -> list[Placed]:
    """Melody signs of a page in reading order; inferred clefs, which stand on no ink, left out.

    Heads of one neume come in the order the neume gives.
    """
    by_staff = signs_by_staff(page.staves, page.glyphs, page.readings)
    order = {head: (n, i) for n, neume in enumerate(page.neumes) for i, head in enumerate(neume.glyphs)}
    found = []
    for i, staff in enumerate(page.staves):
        clefs, first = 0, True
        signs = _as_neumes_say(by_staff[staff.id], order)
        clef = next((sign.reading for sign in signs if sign.is_clef), None)
        for sign in signs:
            if sign.is_clef:
                clefs += 1
                clef = sign.reading
                if sign.reading.by == "inferred":
                    continue
            found.append(
                Placed(
                    sign,
                    i,
                    staff.space_px,
                    clefs,
                    first and sign.is_head,
                    clef_p=clef.confidence if clef else 1.0,
                    clef_inferred=clef is not None and clef.by == "inferred",
                )
            )
            first = first and not sign.is_head
    return found


def _as_neumes_say(signs: list[Sign], order: Mapping[str, tuple[int, int]]) -> list[Sign]:
    """The same places in the order, heads of one neume among their places as the neume has them."""
    slots: dict[int, list[int]] = {}
    for place, sign in enumerate(signs):
        if sign.glyph.id in order:
            slots.setdefault(order[sign.glyph.id][0], []).append(place)
    ordered = list(signs)
    for places in slots.values():
        heads = sorted((signs[place] for place in places), key=lambda sign: order[sign.glyph.id])
        for place, head in zip(places, heads, strict=True):
            ordered[place] = head
    return ordered


def sign_costs(read: Sequence[Placed], true: Sequence[Placed]) -> F64:
    """Distances of centres in staff spaces of the truth, shape (read, true)."""
    a = np.array([[p.sign.glyph.row, p.sign.glyph.col] for p in read]).reshape(-1, 2)
    b = np.array([[p.sign.glyph.row, p.sign.glyph.col] for p in true]).reshape(-1, 2)
    space = np.array([p.space_px for p in true])
    gaps: F64 = np.linalg.norm(a[:, None, :] - b[None, :, :], axis=2) / space[None, :]
    return gaps


@dataclass(slots=True)
class Match:
    """Signs of both sides, uncertain ones left out, and the pairs among them (read, true)."""

    read: list[Placed]
    true: list[Placed]
    pairs: list[tuple[Placed, Placed]]
    soft: set[frozenset[str]]

    def same(self, a: str, b: str) -> bool:
        """Whether two labels count as equal, read leniently."""
        return a == b or frozenset((a, b)) in self.soft

    def heads(self) -> Match:
        """The same of the heads alone."""
        return Match(
            [p for p in self.read if p.sign.is_head],
            [p for p in self.true if p.sign.is_head],
            [(a, b) for a, b in self.pairs if a.sign.is_head and b.sign.is_head],
            self.soft,
        )


def compare_signs(
    read: Page, truth: Page, note_spaces: float, sign_spaces: float, soft_pairs: Sequence[tuple[str, str]]
) -> Match:
    """Melody signs of two pages of one image, paired by place.

    Parameters
    ----------
    read, truth : Page
    note_spaces, sign_spaces : float
        Distances of centres up to which heads, and other signs, are the same; staff spaces.
    soft_pairs : sequence of (str, str)
        Labels that count as equal.

    Returns
    -------
    Match
        Signs in reading order, pairs in that of the truth.
    """
    ours, theirs = drop_uncertain(place_signs(read), place_signs(truth), note_spaces, sign_spaces)
    pairs = pair_signs(ours, theirs, note_spaces, sign_spaces)
    return Match(ours, theirs, [(ours[i], theirs[j]) for i, j in pairs], {frozenset(p) for p in soft_pairs})


def pair_signs(
    ours: list[Placed], theirs: list[Placed], note_spaces: float, sign_spaces: float
) -> list[tuple[int, int]]:
    """Signs of both sides paired by place: heads with heads first, then the rest with what is left."""
    pairs: list[tuple[int, int]] = []
    cost = sign_costs(ours, theirs) / match_limits(ours, theirs, note_spaces, sign_spaces)
    same = np.array([[a.group == b.group for b in theirs] for a in ours], dtype=bool).reshape(cost.shape)
    for allowed in (same, ~same):
        free = np.ones(cost.shape, dtype=bool)
        for i, j in pairs:
            free[i, :] = free[:, j] = False
        pairs += match(np.where(allowed & free, cost, np.inf), 1.0)
    return sorted(pairs, key=lambda pair: pair[1])


def is_uncertain(placed: Placed) -> bool:
    """Whether a sign of the truth counts neither for nor against."""
    return placed.sign.reading.note.startswith(_UNCERTAIN)


def drop_uncertain(
    read: list[Placed], true: list[Placed], note_spaces: float, sign_spaces: float
) -> tuple[list[Placed], list[Placed]]:
    """Both sides (read, true) without the uncertain signs of the truth and what was read in their place."""
    doubtful = [i for i, p in enumerate(true) if is_uncertain(p)]
    if not doubtful or not read:
        return read, [p for p in true if not is_uncertain(p)]
    cost = sign_costs(read, true) / match_limits(read, true, note_spaces, sign_spaces)
    claimed = {i for i, j in match(cost, 1.0) if j not in set(doubtful)}
    near = np.min(cost[:, doubtful], axis=1) <= 1.0
    kept = [p for i, p in enumerate(read) if i in claimed or not bool(near[i])]
    return kept, [p for p in true if not is_uncertain(p)]


def match_limits(
    read: Sequence[Placed], true: Sequence[Placed], note_spaces: float, sign_spaces: float
) -> F64:
    """Greatest distance of each pair, staff spaces, shape (read, true)."""
    a = np.array([p.sign.is_head for p in read], dtype=bool)
    b = np.array([p.sign.is_head for p in true], dtype=bool)
    either = np.logical_or.outer(a, b)
    limits: F64 = np.where(either, note_spaces, sign_spaces)
    return limits
