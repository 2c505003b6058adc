"""Fits the weights by which stacked seconds are told from thirds (`neumary.pushed_seconds`).

::

    python -m neumary_training.seconds_fit --pages 150 --work runs/decision

On pages kept out of training (the cache of `neumary_training.decision_eval`). Logistic regression with the
reader's own log odds left as they are; the error is told for pages left out, a fifth at a time.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from neumary.gamut import gives_exact_pitch, signs_by_staff
from neumary.measures import F64
from neumary.pushed_seconds import features, find_stacks
from neumary_training.decision_cases import Case, Wanted, prepare
from neumary_training.decision_measures import on_whole_staves

_FOLDS = 5
_SHRINK = 1.0  # ridge, as so many pairs


def pairs_of(case: Case) -> tuple[F64, F64, F64]:
    """Features, log odds as read, and 1 for a true third, of the stacked pairs of a page.

    Pairs that are neither a second nor a third in truth are left out, but counted among the features.
    """
    raw = case.raw
    by_staff = signs_by_staff(raw.staves, raw.glyphs, raw.readings)
    true = {a.sign.glyph.id: b.sign.reading.step for a, b in on_whole_staves(raw, case.truth)}
    stacks = [
        stack
        for staff in raw.staves
        if gives_exact_pitch(staff)
        for stack in find_stacks(staff, by_staff[staff.id])
    ]
    rises = [_rise(true.get(s.lower.glyph.id), true.get(s.upper.glyph.id)) for s in stacks]
    known = np.array([rise in (1, 2) for rise in rises], dtype=bool)
    if not known.any():
        return np.zeros((0, 4)), np.zeros(0), np.zeros(0)
    odds = np.array([s.odds for s in stacks])
    return features(stacks)[known], odds[known], np.array([rise == 2 for rise in rises])[known].astype(float)


def _rise(low: int | None, high: int | None) -> int | None:
    return None if low is None or high is None else high - low


def fit(rows: F64, odds: F64, third: F64) -> F64:
    """Weights of the features that make the truth likeliest, beside the reader's own log odds.

    Newton's method on the ridge-penalised likelihood of a logistic regression with an offset.
    """
    weights = np.zeros(rows.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-(odds + rows @ weights)))
        slope = rows.T @ (p - third) + _SHRINK * weights
        bend = (rows * (p * (1 - p))[:, None]).T @ rows + _SHRINK * np.eye(len(weights))
        weights = weights - np.linalg.solve(bend, slope)
    return weights


def measure(cases: Iterable[Case]) -> tuple[F64, int, int, int]:
    """Weights on all pages; pairs, how many are read wrongly, and how many after weighing, pages left out."""
    pages = [pairs_of(case) for case in cases]
    after = before = count = 0
    for fold in range(_FOLDS):
        kept = [page for i, page in enumerate(pages) if i % _FOLDS != fold]
        weights = fit(*(np.concatenate(part) for part in zip(*kept, strict=True)))
        for rows, odds, third in pages[fold::_FOLDS]:
            count += len(odds)
            before += int(((odds > 0) != third).sum())
            after += int(((odds + rows @ weights > 0) != third).sum())
    whole = fit(*(np.concatenate(part) for part in zip(*pages, strict=True)))
    return whole, count, before, after


def main() -> None:
    """Command line; see the module's head."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pages", type=int, default=150)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--work", type=Path, default=Path("runs/decision"))
    choice = parser.parse_args()
    cases = prepare(Wanted(choice.work, "held-out", choice.pages, first=choice.first))
    weights, count, before, after = measure(cases)
    print(f"{count} stacked pairs: {before} read wrongly, {after} after weighing (pages left out)")
    print("WEIGHTS =", tuple(round(float(w), 2) for w in weights))


if __name__ == "__main__":
    main()
