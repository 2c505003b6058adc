"""How far a flat holds.

Only B may be flattened in plainchant, and a natural cancels (common practice; so the guides to
printed chant). The scope differs between books and centuries, so it is a setting:

======== ============================================================ =========================
scope    a flat holds                                                 source
======== ============================================================ =========================
note     for the B or Bs of the first neume after it that has one     common practice, no source
word     to the end of the word, the first division or a natural      *Liber Usualis* 1961, p. xviij
division to the first division, a natural or the end of the staff     common practice, no source
staff    to the end of the staff or a natural                         common practice, no source
piece    until a natural                                              common practice, no source
======== ============================================================ =========================

"auto" takes the narrower "word" on a page that repeats flats within a staff (`repeats_flats`).
Where nobody has told where words begin, a word is taken to end at the latest 15 staff spaces after its
flat, and how sure a B is falls with the distance (`FlatState.chance`).

Whatever the scope, a flat beside the clef holds for its whole staff except where a natural
contradicts it (*Liber Usualis* 1961, p. xviij). A flat counts in its own octave only.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal

from neumary.errors import UsageError
from neumary.gamut import Sign
from neumary.types import NotationKind, Staff, Syllable

FlatScope = Literal["auto", "note", "word", "division", "staff", "piece"]
SCOPES: Final = ("auto", "note", "word", "division", "staff", "piece")

AUTO_SCOPE: Final[dict[NotationKind, FlatScope]] = {
    "layered": "word",  # books that print staffless signs around the staff are 20th-c. editions
    "square": "staff",
    "pointed": "staff",
    "coloured-lines": "staff",
    "letters": "staff",
    "staffless": "staff",
}
"""Scope taken for "auto"; manuscripts vary, "staff" is common practice without a source."""

B_CLASS: Final = 6
"""degree % 7 of every B."""

WORD_REACH_SPACES: Final = 15.0
"""Where words are not known: farther than this from its flat no B was flat by it. Counted with
`_IN_WORD` on 60 rendered pages kept out of training, on the 17 that repeat flats (213 notes on B)."""

_IN_WORD: Final = ((4.0, 0.98), (6.0, 0.85), (WORD_REACH_SPACES, 0.65))
"""Share of notes on B that are flat, up to so many spaces after the flat."""

_BARE_A_REPEAT: Final = 3
"""With more notes than that for each repeated flat that have none of their own, flats hold to the end of
the staff: set on 40 rendered pages kept out of training that repeat a flat."""

_LAPSED: Final = 0.97  # of those beyond, the share that is not
_AFTER_FLAT: Final = 0.99  # share that obeys the other rules (the same pages: 181 of 182)


def scope_of(staff: Staff, flat_scope: FlatScope) -> FlatScope:
    """The rule that holds on a staff.

    Raises
    ------
    UsageError
        If the rule is none of `SCOPES`.
    """
    if flat_scope not in SCOPES:
        raise UsageError(f"There is no flat scope {flat_scope!r}.", f"Take one of {', '.join(SCOPES)}.")
    return AUTO_SCOPE[staff.kind] if flat_scope == "auto" else flat_scope


def count_flats(signs: Sequence[Sign], space_px: float) -> tuple[int, int]:
    """How often a flat is written again though no natural or clef came between, and how often it is not.

    A scribe who repeats it does not mean the first one to hold to the end of the staff.

    Parameters
    ----------
    signs : sequence of Sign
        Of one staff, in the order sung.
    space_px : float
        Staff space, in px.

    Returns
    -------
    repeated, bare : int
        Flats on the step of one before them that has been sung; heads on a flat's step, farther from it than
        words are wont to reach, without a flat of their own.
    """
    in_force: dict[int, float] = {}  # step -> column of its flat
    sung: set[int] = set()
    repeated = bare = 0
    for sign in signs:
        step, col = sign.reading.step, sign.glyph.col
        if sign.is_clef:
            in_force.clear()
        elif step is None or sign.is_faint:
            continue
        elif sign.label == "natural":
            in_force.pop(step, None)
        elif sign.label == "flat":
            repeated += step in in_force and step in sung
            in_force[step] = col
            sung.discard(step)
        elif sign.is_head:
            sung |= in_force.keys()
            bare += step in in_force and col - in_force[step] > _IN_WORD[1][0] * space_px
    return repeated, bare


def repeats_flats(counts: Iterable[tuple[int, int]]) -> bool:
    """Whether the scribe of a page writes a flat anew wherever it is wanted again.

    One flat repeated among many notes that would need one too is a slip, of the scribe or of the reader.

    Parameters
    ----------
    counts : iterable of (int, int)
        From `count_flats`, one for each staff.
    """
    repeated, bare = map(sum, zip(*counts, strict=True))
    return bare <= _BARE_A_REPEAT * repeated and repeated > 0


def word_starts(staff: Staff, syllables: Sequence[Syllable]) -> tuple[float, ...]:
    """Columns (px) at which a word of the lyrics begins under a staff."""
    return tuple(
        sorted(
            float(y.box.left)
            for y in syllables
            if y.staff == staff.id and y.box is not None and y.wordpos in ("i", "s")
        )
    )


class FlatState:
    """Which degrees are flattened at a place; walks along the staves with the reader.

    Parameters
    ----------
    scope : FlatScope
        One of the rules of the table above, "auto" already resolved.
    words_known : bool
        Whether `word` will be called where words begin; if not, a word ends by distance.
    """

    def __init__(self, scope: FlatScope, *, words_known: bool = True) -> None:
        self.scope: FlatScope = scope
        self.words_known = words_known
        self._here = 0.0
        self._written: dict[int, float] = {}  # degree -> where its flat stands, spaces
        self._beside_clef: set[int] = set()
        self._set: dict[int, int] = {}  # degree -> alter in force
        self._sounded: set[int] = set()  # degrees a head has taken since their sign

    def flatten(self, degree: int, *, beside_clef: bool) -> None:
        """A flat on a degree (a B)."""
        self._written[degree] = self._here
        if beside_clef:
            self._beside_clef.add(degree)
            self._set.pop(degree, None)
        else:
            self._set[degree] = -1
            self._sounded.discard(degree)

    def cancel(self, degree: int) -> None:
        """A natural on a degree."""
        self._written.pop(degree, None)
        if self.scope == "piece":
            self._beside_clef.discard(degree)
        self._set[degree] = 0
        self._sounded.discard(degree)

    def division(self) -> None:
        """A division: ends the narrower scopes."""
        if self.scope in ("note", "word", "division"):
            self._set.clear()

    def word(self) -> None:
        """A new word."""
        if self.scope == "word":
            self._set.clear()

    def neume(self) -> None:
        """A new neume."""
        if self.scope == "note":
            for degree in self._sounded:
                self._set.pop(degree, None)
            self._sounded.clear()

    def staff_end(self, scope: FlatScope) -> None:
        """The end of a staff; `scope` is the rule of the next one."""
        if self.scope != "piece":
            self._set.clear()
            self._beside_clef.clear()
            self._written.clear()
        self._sounded.clear()
        self.scope = scope

    def at(self, col_spaces: float) -> None:
        """Go on to a place along the staff, in staff spaces: where words are not known a flat lapses."""
        self._here = col_spaces
        if self.scope == "word" and not self.words_known:
            for degree in [d for d in self._set if self._distance(d) > WORD_REACH_SPACES]:
                del self._set[degree]

    def _distance(self, degree: int) -> float:
        return self._here - self._written.get(degree, self._here)

    def chance(self, degree: int) -> float:
        """Probability that `alter` is right here: 1 for what no flat of this staff touches."""
        if degree not in self._written:
            return 1.0
        if self.scope != "word" or self.words_known or degree in self._beside_clef:
            return _AFTER_FLAT
        away = self._distance(degree)
        return next((p for reach, p in _IN_WORD if away <= reach and self.alter(degree)), _LAPSED)

    def alter(self, degree: int) -> int:
        """Alteration of a degree here: -1 or 0."""
        return self._set.get(degree, -1 if degree in self._beside_clef else 0)

    def sound(self, degree: int) -> int:
        """A head on a degree: its alteration, remembered for the "note" rule."""
        if degree in self._set:
            self._sounded.add(degree)
        return self.alter(degree)
