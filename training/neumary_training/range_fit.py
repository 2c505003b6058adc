"""Fit the widths of `neumary.range_table` on rendered pages, and tell how well ranges hold.

    python -m neumary_training.range_fit --work runs/ranges            # fit on the train split
    python -m neumary_training.range_fit --work runs/ranges --report   # measure on the test split

Pages are those of a seed of their own, so the network has seen none of them. They are read end to
end, so that the errors of staves found are in the widths; ``--staves truth`` leaves them out.
Cases are kept in the work folder and made once a model.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from neumary.implied_spacing import FarHead, Spacing, fit_spacing
from neumary.range_table import AWAY_KNOTS, MODELS, RangeModel, degrees_at
from neumary_models import zoo
from neumary_training.range_cases import F64, HIGHEST, LOWEST, Cases, collect

KINDS: Final = ("two-line", "one-line", "letters")
SHARE: Final = 0.9
"""Of the probability that a stated range holds."""


def spacings(cases: Cases) -> dict[int, Spacing]:
    """Implied spacing of each page."""
    out = {}
    for page in np.unique(cases.page):
        own = cases.part(cases.page == page)
        heads = []
        for height, odds in zip(own.height, own.network, strict=True):
            edge = cases.top if height > cases.top else 0
            if 0 <= height <= cases.top and cases.top:
                continue
            network = tuple((k + LOWEST - edge, float(p)) for k, p in enumerate(odds) if p > 0)
            network = () if cases.kind == "letters" else network  # as `neumary.letter_staves` does
            heads.append(FarHead(float(height - edge), network))
        out[int(page)] = fit_spacing(heads)
    return out


def mended(cases: Cases) -> tuple[F64, F64]:
    """Heights under the implied spacing of each page, and their distances from the nearest line."""
    fitted = spacings(cases)
    heights = cases.height.copy()
    for i, (page, height) in enumerate(zip(cases.page, cases.height, strict=True)):
        if height > cases.top:
            heights[i] = cases.top + fitted[int(page)].mended(height - cases.top)
        elif height < 0:
            heights[i] = fitted[int(page)].mended(height)
    return heights, np.minimum(np.abs(heights), np.abs(heights - cases.top))


def fit(cases: Cases, doubt: float) -> RangeModel:
    """Widths and the network's weight of greatest likelihood."""
    from scipy.optimize import minimize

    heights, away = mended(cases)
    degrees = np.arange(LOWEST, HIGHEST + 1)
    network = np.log(np.maximum(cases.network, 1e-3))
    at = cases.truth - LOWEST

    def widths_of(values: F64) -> F64:
        """Never narrower further away."""
        return np.asarray(np.cumsum(np.exp(values[:-1])))

    def loss(values: F64) -> float:
        widths = np.interp(away, AWAY_KNOTS, widths_of(values))
        logs = -0.5 * ((degrees - heights[:, None]) / widths[:, None]) ** 2 + values[-1] * network
        logs -= logs.max(axis=1, keepdims=True)
        p = np.exp(logs)
        p /= p.sum(axis=1, keepdims=True)
        # A light pull to a usual growth, for want of heads far out.
        unusual = 0.002 * float(((values[1:-1] - usual) ** 2).sum())
        return float(unusual - np.log((1 - doubt) * p[np.arange(len(at)), at] + doubt / 15).mean())

    usual = float(np.log(0.08))
    start = np.array([np.log(0.5)] + [usual] * (len(AWAY_KNOTS) - 1) + [0.4])
    limits = {"maxiter": 3000, "xatol": 1e-3, "fatol": 1e-6}
    best = minimize(loss, start, method="Nelder-Mead", options=limits)
    widths = tuple(round(float(w), 3) for w in widths_of(best.x))
    return RangeModel(widths, round(float(best.x[-1]), 3), doubt)


def held(probabilities: dict[int, float], truth: int) -> tuple[bool, bool, float]:
    """Whether the true degree is the best one, and within the 90 % range; and that range's probability."""
    total, inside = 0.0, False
    ranked = sorted(probabilities.items(), key=lambda pair: (-pair[1], pair[0]))
    for degree, p in ranked:
        total += p
        inside |= degree == truth
        if total >= SHARE:
            break
    return ranked[0][0] == truth, inside, total


def held_nearest(probabilities: dict[int, float], truth: int) -> bool:
    """Whether the true degree is in the set of best ones whose probability is nearest to 90 %."""
    total = 0.0
    for degree, p in sorted(probabilities.items(), key=lambda pair: (-pair[1], pair[0])):
        if total and total + p - SHARE > SHARE - total:
            return False
        if degree == truth:
            return True
        total += p
    return False


def held_in_part(probabilities: dict[int, float], truth: int) -> float:
    """Chance that a range of exactly 90 % holds: it takes the last degree it needs in part only.

    Degrees are few, so the smallest set that reaches 90 % mostly holds more than that, all the more
    where the best degree alone is nearly sure; a set whose last member is drawn by lot does not
    (as with ranks of counts: Czado, Gneiting and Held, "Predictive model assessment for count data",
    Biometrics 65, 2009). Where probabilities are honest its mean is 0.9.
    """
    before = 0.0
    for degree, p in sorted(probabilities.items(), key=lambda pair: (-pair[1], pair[0])):
        part = min(1.0, (SHARE - before) / p) if p > 0 else 0.0
        if degree == truth:
            return max(0.0, part)
        before += p
        if before >= SHARE:
            break
    return 0.0


def report(kind: str, cases: Cases, model: RangeModel) -> str:
    """One line for people, and one for each distance."""
    heights, away = mended(cases)
    rows = []
    for height, far, seen, truth in zip(heights, away, cases.network, cases.truth, strict=True):
        network = {k + LOWEST: float(p) for k, p in enumerate(seen) if p > 0}
        odds = degrees_at(model, float(height), float(far), network)
        rows.append((*held(odds, int(truth)), held_in_part(odds, int(truth))))
    table = np.array(rows, dtype=np.float64)
    lines = [_line(kind, table)]
    lines += [
        _line(f"  {low} to {low + 1} away", table[(away >= low) & (away < low + 1)]) for low in range(0, 9)
    ]
    return "\n".join(lines)


def _line(name: str, table: F64) -> str:
    if not len(table):
        return f"{name}: none"
    best, inside, stated, part = table.mean(axis=0)
    return (
        f"{name}: {len(table)} notes, best {best:.3f}, in the 90 % range {inside:.3f}, stated {stated:.3f}, "
        f"in one of exactly 90 % {part:.3f}"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--pages", type=int, default=60)
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=KINDS)
    parser.add_argument("--staves", choices=("found", "truth"), default="found")
    parser.add_argument("--model", default=zoo.DEFAULT)
    parser.add_argument("--doubt", type=float, default=0.01)
    parser.add_argument("--report", action="store_true", help="measure the shipped table on the test split")
    given = parser.parse_args(arguments)
    for kind in given.kinds:
        if given.report:
            cases = collect(kind, "test", given.pages, given.work, given.staves, given.model)
            print(report(kind, cases, MODELS[kind]))
        else:
            cases = collect(kind, "train", given.pages, given.work, given.staves, given.model)
            model = fit(cases, given.doubt)
            print(f'    "{kind}": RangeModel({model.widths}, {model.network}, {model.doubt}),')
            print(report(kind, cases, model))


if __name__ == "__main__":
    main()
