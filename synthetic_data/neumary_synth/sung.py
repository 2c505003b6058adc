"""What is still to be sung on a page: an endless row of syllables, chant after chant."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from neumary_synth.habits import Habits
from neumary_synth.melody import ChantSyllable, sample_chant

_AHEAD = 40  # syllables kept waiting
RUNS_ON = -2
"""`Sung.number` of the rest of a split melisma, until its syllable has been written."""


@dataclass(slots=True)
class Sung:
    """One syllable waiting to be written; `number` is set where it runs on from a staff before."""

    syllable: ChantSyllable
    starts_chant: bool = False
    number: int = -1

    @property
    def degrees(self) -> list[int]:
        """Degrees of all its notes."""
        return [note.degree for neume in self.syllable.neumes for note in neume.notes]


class ChantQueue:
    """Syllables to write, filled up with new chants as it empties."""

    def __init__(self, rng: np.random.Generator, habits: Habits | None = None) -> None:
        self._rng, self._habits = rng, habits or Habits()
        self._waiting: deque[Sung] = deque()

    def _fill(self) -> None:
        while len(self._waiting) < _AHEAD:
            few, many = (4, 22) if self._habits.short_chants and self._rng.random() < 0.7 else (12, 70)
            chant = sample_chant(
                self._rng,
                None,
                int(self._rng.integers(few, many)),
                ornate=self._habits.ornate,
                flats=self._habits.flats,
            )
            self._waiting.extend(Sung(s, i == 0) for i, s in enumerate(chant.syllables))

    @property
    def first(self) -> Sung:
        """The next syllable."""
        self._fill()
        return self._waiting[0]

    def take(self) -> Sung:
        """Take the next syllable out."""
        self._fill()
        return self._waiting.popleft()

    def drop(self) -> None:
        """Leave the next syllable out; a chant that began with it begins with the one after."""
        if self.take().starts_chant:
            self.first.starts_chant = True

    def skip_to_chant(self) -> None:
        """Leave out what remains of the chant begun."""
        while not self.first.starts_chant:
            self.take()

    def split(self, n_neumes: int) -> None:
        """Cut the next syllable after some neumes; the rest waits behind it."""
        whole = self.take()
        neumes = whole.syllable.neumes
        self._waiting.appendleft(Sung(replace(whole.syllable, neumes=neumes[n_neumes:]), False, RUNS_ON))
        self._waiting.appendleft(replace(whole, syllable=replace(whole.syllable, neumes=neumes[:n_neumes])))

    def degrees_ahead(self, n_syllables: int) -> list[int]:
        """Degrees of the next syllables, as far as the chant goes; at least one syllable's."""
        self._fill()
        ahead: list[int] = []
        for sung in list(self._waiting)[:n_syllables]:
            if sung.starts_chant and ahead:
                break
            ahead += sung.degrees
        return ahead
