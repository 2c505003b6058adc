"""Two runs over the same truth: what got better, what got worse, and whether that can be chance."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
from rich.table import Table

from neumary.metrics import combine
from neumary.score import LOWER_IS_BETTER, Measure, Report

_DRAWS: Final = 300
_SHOWN_PAGES: Final = 12


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One measure, before and after.

    Attributes
    ----------
    low, high : float
        95 % bootstrap interval of after - before, pages drawn in pairs.
    verdict : str
        "better" or "worse" where the interval leaves out 0, else "no clear change".
    """

    before: float
    after: float
    low: float
    high: float
    verdict: str


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """A run against an earlier one.

    Attributes
    ----------
    changes : dict of str to Change
        By measure, over the pages both runs were scored on.
    pages : dict of str to (float, float)
        Corrections per 100 notes before and after, those that got worse first.
    """

    changes: dict[str, Change]
    pages: dict[str, tuple[float, float]]

    def as_dict(self) -> dict[str, object]:
        """Plain values, for JSON."""
        return dict(msgspec.to_builtins(self))

    def tables(self) -> list[Table]:
        """Measures, then the pages that changed most."""
        first = Table(title=f"{len(self.pages)} page(s), this run against the other", title_justify="left")
        for name in ("measure", "before", "after", "change, 95 %", ""):
            first.add_column(name, justify="left" if name in ("measure", "") else "right")
        for name, change in self.changes.items():
            span = f"{change.low:+.3f} to {change.high:+.3f}"
            first.add_row(name, f"{change.before:.3f}", f"{change.after:.3f}", span, change.verdict)
        second = Table(title="corrections per 100 notes, page by page", title_justify="left")
        for name in ("page", "before", "after", "change"):
            second.add_column(name, justify="left" if name == "page" else "right")
        moved = [item for item in self.pages.items() if item[1][0] != item[1][1]]
        half = _SHOWN_PAGES // 2
        shown = moved if len(moved) <= _SHOWN_PAGES else [*moved[:half], *moved[-half:]]
        for page, (before, after) in shown:
            second.add_row(page, f"{before:.1f}", f"{after:.1f}", f"{after - before:+.1f}")
        worse = sum(after > before for before, after in self.pages.values())
        better = sum(after < before for before, after in self.pages.values())
        same = len(self.pages) - worse - better
        second.caption = f"{better} page(s) better, {worse} worse, {same} the same"
        return [first, second]


def compare_reports(after: Report, before: Report, *, seed: int = 0) -> Comparison:
    """Compare two reports over the pages both have.

    Parameters
    ----------
    after, before : Report
    seed : int
        Of the bootstrap's generator.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 13
       (percentile interval; here of the paired difference).
    """
    common = [page for page in after.pages if page in before.pages]
    picks = np.random.default_rng(seed).integers(0, max(len(common), 1), size=(_DRAWS, len(common)))
    names = [name for name in after.measures if name in before.measures]
    changes = {
        name: _change(name, after.measures[name], after, before, common, picks.tolist()) for name in names
    }
    pages = {p: (before.pages[p].corrections_per_100, after.pages[p].corrections_per_100) for p in common}
    ranked = dict(sorted(pages.items(), key=lambda item: item[1][0] - item[1][1]))
    return Comparison(changes=changes, pages=ranked)


def _change(
    name: str, measure: Measure, after: Report, before: Report, common: list[str], picks: list[list[int]]
) -> Change:
    new = [after.pages[page] for page in common]
    old = [before.pages[page] for page in common]
    first, last = measure(combine(old)), measure(combine(new))
    gaps = [
        measure(combine([new[i] for i in pick])) - measure(combine([old[i] for i in pick])) for pick in picks
    ]
    low, high = (float(x) for x in np.quantile(gaps, [0.025, 0.975]))
    verdict = "no clear change"
    if len(common) > 1 and (low > 0 or high < 0):
        verdict = "better" if (low > 0) != (name in LOWER_IS_BETTER) else "worse"
    return Change(before=first, after=last, low=low, high=high, verdict=verdict)
