"""What a page shows beside plain notation, and how often: rubrics, capitals, blots, rare signs.

About a third of the pages are drawn rich in rare signs: quilismata, strophae, orisci and
liquescents about three times as often as elsewhere, letter clefs, F clefs, both clefs on
one staff and clef changes far more often than on leaves. A reader meets too few of them
otherwise. The other pages keep to what leaves show: clefs are C and F but for two in a hundred (guides to
chant know no others), hardly one changes amid a staff (none on 43 photographed staves), few hide behind an
initial (one of 43). The shares are set by hand after photographed leaves (no published source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Habits:
    """Chances and mean numbers; 0 = never.

    Attributes
    ----------
    rich : bool
        A page of many rare signs.
    ornate : float or None
        Factor on rare heads; None leaves it to each chant.
    letter_clefs, both_clefs, clef_moves : float
        Factor on clefs other than C and F; chance of a second clef on a staff; chance,
        at each syllable, of a change of clef.
    hidden_clefs : float
        Chance that an initial at the left edge hides the clef of its staff; elsewhere the clef follows it.
    flats : float
        Factor on phrases with B-flats.
    naturals : float
        Chance, at each B with no flat in force, of a natural written to remind.
    short_chants : bool
        Many chants on one page, so many capitals inside staves.
    rubrics, interruptions, flourishes : float
        Chance of a rubric ending a staff; of words, signs or letters breaking into a staff, at
        each syllable; of a red flourish beside a clef, at each staff.
    marks : float
        Mean number of blots, ghosts, dirt and stray strokes at each staff.
    capital_letters, fillers, lead_lines : float
        Chance of a capital at a word; of a filler after the last word; of ruling beside staff lines.
    corrections, faded, vanishing : float
        Chance, at each neume, of another ink; of pale ink; at each line, of ending before its end.
    later : float
        Chance, at each staff, that a later hand takes over in paler ink, without words.
    short_staves, pale_edges : float
        Chance, at each staff, of ending early with words, pen bars or nothing beside it; of an
        outer line gone pale along its whole length.
    printed : bool
        An early printed book.
    """

    rich: bool = False
    ornate: float | None = None
    letter_clefs: float = 1.0
    both_clefs: float = 0.05
    clef_moves: float = 0.004
    hidden_clefs: float = 0.05
    flats: float = 1.0
    naturals: float = 0.0
    short_chants: bool = False
    rubrics: float = 0.0
    interruptions: float = 0.0
    flourishes: float = 0.0
    marks: float = 0.0
    capital_letters: float = 0.0
    fillers: float = 0.0
    lead_lines: float = 0.0
    corrections: float = 0.0
    faded: float = 0.0
    vanishing: float = 0.0
    later: float = 0.0
    short_staves: float = 0.0
    pale_edges: float = 0.0
    printed: bool = False


def sample_habits(rng: np.random.Generator, kind: str) -> Habits:
    """Draw a page's habits.

    Parameters
    ----------
    rng : numpy Generator
    kind : str
        One of `neumary_synth.plan.KINDS`.
    """

    def some(chance: float, low: float, high: float) -> float:
        wanted, value = rng.random() < chance, float(rng.uniform(low, high))
        return value if wanted else 0.0

    rich = bool(rng.random() < 0.34)
    book = bool(rng.random() < 0.07) and kind in ("square", "five-line")
    print_like = book or kind == "layered"
    ink = 0.0 if print_like else 1.0
    return Habits(
        rich=rich,
        ornate=float(rng.uniform(2.0, 4.0)) if rich else None,
        letter_clefs=float(rng.choice([2.0, 14.0])) if rich else 0.25,
        both_clefs=float(rng.uniform(0.1, 0.6)) if rich else 0.05,
        clef_moves=float(rng.uniform(0.01, 0.07)) if rich else float(rng.uniform(0.0, 0.003)),
        hidden_clefs=some(0.2, 0.4, 1.0) or 0.05,
        flats=float(rng.uniform(1.5, 4.0)) if rich else float(rng.uniform(0.8, 1.8)),
        naturals=float(rng.uniform(0.1, 0.4)) if rich else some(0.4, 0.02, 0.12),
        short_chants=bool(rng.random() < 0.45),
        rubrics=some(0.6, 0.03, 0.3),
        interruptions=some(0.6, 0.005, 0.07),
        flourishes=some(0.5, 0.1, 0.6) * ink,
        marks=(some(0.75, 0.3, 3.0) + some(0.15, 2.0, 7.0)) * (0.15 + 0.85 * ink),
        capital_letters=some(0.6, 0.02, 0.3),
        fillers=some(0.4, 0.1, 0.8) * ink,
        lead_lines=some(0.3, 0.2, 1.0) * ink,
        corrections=some(0.25, 0.005, 0.08) * ink,
        faded=some(0.45, 0.01, 0.12) * ink,
        vanishing=some(0.35, 0.02, 0.2) * ink,
        later=some({"songbook": 0.35, "five-line": 0.25}.get(kind, 0.08), 0.05, 0.5) * ink,
        short_staves=some(0.35, 0.05, 0.35),
        pale_edges=some(0.4, 0.05, 0.5) * ink,
        printed=book,
    )
