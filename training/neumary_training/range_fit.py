"""Fit the widths of `neumary.range_table` on rendered pages, and tell how well ranges hold.

    python -m neumary_training.range_fit --work runs/ranges            # fit on the train split
    python -m neumary_training.range_fit --work runs/ranges --report   # measure on the test split

Pages are those of a seed of their own, so the network has seen none of them. Staff lines come
from the truth, shaken as in its training; for pages with letters only, the virtual staves of
`neumary_training.letter_views`. Cases are kept in the work folder and made once a model.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from neumary.coloured_pitch import height_above
from neumary.glyphs import Calibration, choose, find_candidates, place
from neumary.implied_spacing import FarHead, Spacing, fit_course, fit_spacing
from neumary.range_table import AWAY_KNOTS, MODELS, RangeModel, degrees_at
from neumary.read import read_strip
from neumary.strips import cut_strip
from neumary.types import Glyph, Page, Staff
from neumary_models import zoo
from neumary_models.labels import HEADS
from neumary_synth.render import render_page
from neumary_training.data import ink_of, page_seed, shaken
from neumary_training.letter_views import letter_views

F64 = npt.NDArray[np.float64]

KINDS: Final = ("two-line", "one-line", "letters")
SEED: Final = 7
"""Not the seed of the network's own pages."""
SHARE: Final = 0.9
"""Of the probability that a stated range holds."""
_F: Final = 24
_FIFTH: Final = 4
_LOWEST: Final = -16  # degrees above the bottom line that the table of cases holds
_HIGHEST: Final = 20
_NEAR_SPACES: Final = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """Heads of many pages, read and true.

    Attributes
    ----------
    kind : str
    page : ndarray of int64, shape (n,)
    height : ndarray of float64, shape (n,)
        Degrees above the bottom line, by geometry.
    network : ndarray of float64, shape (n, 37)
        The network's probabilities of -16 .. 20 degrees above the bottom line.
    truth : ndarray of int64, shape (n,)
        Degrees above the bottom line, as written.
    """

    kind: str
    page: npt.NDArray[np.int64]
    height: F64
    network: F64
    truth: npt.NDArray[np.int64]

    @property
    def top(self) -> int:
        """Degrees from the bottom line to the top line."""
        return 0 if self.kind == "one-line" else _FIFTH

    def part(self, chosen: npt.NDArray[np.bool_]) -> Cases:
        """Some of the heads."""
        page, height, network = self.page[chosen], self.height[chosen], self.network[chosen]
        return Cases(self.kind, page, height, network, self.truth[chosen])


def collect(kind: str, split: str, pages: int, work: Path, model_name: str = zoo.DEFAULT) -> Cases:
    """Heads of the first pages of a split, from the work folder where they are there."""
    model = zoo.load(model_name, threads=1)
    path = work / f"{kind}-{split}-{pages}-{model.sha256[:12]}.npz"
    if not path.exists():
        work.mkdir(parents=True, exist_ok=True)
        rows = [row for index in range(pages) for row in _heads_of(kind, split, index, model)]
        table = np.array([row[:3] for row in rows], dtype=np.float64).reshape(-1, 3)
        network = np.array([row[3] for row in rows], dtype=np.float64).reshape(-1, _HIGHEST - _LOWEST + 1)
        np.savez(path, table=table, network=network)
    with np.load(path) as data:
        table, network = data["table"], data["network"]
    page, truth = table[:, 0].astype(np.int64), table[:, 2].astype(np.int64)
    return Cases(kind, page, table[:, 1], network, truth)


def _heads_of(
    kind: str, split: str, index: int, model: zoo.LoadedModel
) -> Iterable[tuple[int, float, int, F64]]:
    own = page_seed(SEED, split, index)
    rendered = render_page(own, kind)
    page, rng = rendered.page, np.random.default_rng([own, 9])
    if not page.staves:
        return
    calibration = Calibration(**model.calibration)
    ink = ink_of(rendered.rgb, float(np.median([staff.space_px for staff in page.staves])))
    for truth in page.staves:
        seen = _as_found(page, truth, rng)
        if seen is None:
            continue
        strip = cut_strip(ink, seen)
        scores, line_free = read_strip(strip, model)
        chosen = choose(find_candidates(scores, calibration), calibration.believe_p)
        signs = [(g, r) for g, r in place(strip, line_free, chosen) if r.label in HEADS]
        height = np.array([height_above(seen, g.row, g.col)[0] for g, _ in signs])
        if kind == "letters":
            first, last = seen.lines[0].cols[0], seen.lines[0].cols[-1]
            along = np.array([(g.col - first) / (last - first) for g, _ in signs])
            level, tilt = fit_course(height, along)
            height = height - level - tilt * along
        bottom = _F if seen.lines[0].colour == "red" else _F + _FIFTH
        for glyph, degree in _written(page, truth.id):
            near = [(np.hypot(g.row - glyph.row, g.col - glyph.col), k) for k, (g, _) in enumerate(signs)]
            if not near or min(near)[0] > _NEAR_SPACES * truth.space_px:
                continue
            k = min(near)[1]
            odds = np.zeros(_HIGHEST - _LOWEST + 1)
            for step, p in signs[k][1].steps:
                if _LOWEST <= step <= _HIGHEST:
                    odds[step - _LOWEST] = p
            yield index, float(height[k]), degree - bottom, odds


def _as_found(page: Page, truth: Staff, rng: np.random.Generator) -> Staff | None:
    if truth.lines:
        return shaken(truth, rng)
    views = letter_views(page, truth, rng)
    return views[0][0] if views else None


def _written(page: Page, staff: str) -> list[tuple[Glyph, int]]:
    readings = page.current()
    out = []
    for glyph in page.glyphs:
        reading = readings[glyph.id]
        degree = reading.pitch.degree if reading.pitch is not None else None
        if glyph.staff == staff and reading.label in HEADS and degree is not None:
            out.append((glyph, degree))
    return out


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
            network = tuple((k + _LOWEST - edge, float(p)) for k, p in enumerate(odds) if p > 0)
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
    degrees = np.arange(_LOWEST, _HIGHEST + 1)
    network = np.log(np.maximum(cases.network, 1e-3))
    at = cases.truth - _LOWEST

    def loss(values: F64) -> float:
        widths = np.interp(away, AWAY_KNOTS, np.exp(values[:-1]))
        logs = -0.5 * ((degrees - heights[:, None]) / widths[:, None]) ** 2 + values[-1] * network
        logs -= logs.max(axis=1, keepdims=True)
        p = np.exp(logs)
        p /= p.sum(axis=1, keepdims=True)
        # Neighbouring knots are held together a little, for want of heads far out.
        rough = float((np.diff(values[:-1]) ** 2).sum())
        return float(-np.log((1 - doubt) * p[np.arange(len(at)), at] + doubt / 15).mean() + 0.002 * rough)

    start = np.array([np.log(0.5)] * len(AWAY_KNOTS) + [0.6])
    best = minimize(
        loss, start, method="Nelder-Mead", options={"maxiter": 2000, "xatol": 1e-3, "fatol": 1e-6}
    )
    widths = tuple(round(float(w), 3) for w in np.exp(best.x[:-1]))
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


def report(kind: str, cases: Cases, model: RangeModel) -> str:
    """One line for people, and one for each distance."""
    heights, away = mended(cases)
    rows = []
    for height, far, odds, truth in zip(heights, away, cases.network, cases.truth, strict=True):
        network = {k + _LOWEST: float(p) for k, p in enumerate(odds) if p > 0}
        rows.append(held(degrees_at(model, float(height), float(far), network), int(truth)))
    table = np.array(rows, dtype=np.float64)
    lines = [_line(kind, table)]
    lines += [
        _line(f"  {low} to {low + 1} away", table[(away >= low) & (away < low + 1)]) for low in range(0, 9)
    ]
    return "\n".join(lines)


def _line(name: str, table: F64) -> str:
    if not len(table):
        return f"{name}: none"
    best, inside, stated = table.mean(axis=0)
    return f"{name}: {len(table)} notes, best {best:.3f}, in the 90 % range {inside:.3f}, stated {stated:.3f}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--pages", type=int, default=60)
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=KINDS)
    parser.add_argument("--model", default=zoo.DEFAULT)
    parser.add_argument("--doubt", type=float, default=0.01)
    parser.add_argument("--report", action="store_true", help="measure the shipped table on the test split")
    given = parser.parse_args(arguments)
    for kind in given.kinds:
        if given.report:
            cases = collect(kind, "test", given.pages, given.work, given.model)
            print(report(kind, cases, MODELS[kind]))
        else:
            cases = collect(kind, "train", given.pages, given.work, given.model)
            model = fit(cases, given.doubt)
            print(f'    "{kind}": RangeModel({model.widths}, {model.network}, {model.doubt}),')
            print(report(kind, cases, model))


if __name__ == "__main__":
    main()
