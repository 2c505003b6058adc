"""Fit `neumary.head_shape_table`: square hands told from pointed ones by the edges of their heads.

    python -m neumary_training.head_shape_fit --work runs/heads --pages 820            # fit
    python -m neumary_training.head_shape_fit --work runs/heads --pages 300 --on       # fit on with fewer
    python -m neumary_training.head_shape_fit --work runs/heads --pages 100 --report   # measure

Pages are rendered, half of them in pointed hands, and read end to end; those of two hands, square and
pointed, are left out. Those fitted on are of the held-out part, those reported on of the test part.
What heads look like is kept in the work folder, by the model's hash.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from neumary.head_shape_table import LEAST_SPREAD, MEANS, OFFSET, SPREADS, WEIGHTS
from neumary.head_shapes import GROUPS, MEASURES, describe, measure_heads, pointed_p
from neumary.models import load_model
from neumary.pipeline import find_staves_of, number_signs, read_signs
from neumary.settings import make_settings
from neumary.types import Scan
from neumary_models import zoo
from neumary_models.zoo import LoadedModel
from neumary_synth.render import render_page
from neumary_training.evaluate import reliability
from neumary_training.shards import page_seed

F64 = npt.NDArray[np.float64]

SEED: Final = 29
"""Of pages no network was trained on."""
KINDS: Final = (
    "pointed", "square", "pointed", "five-line", "pointed",
    "songbook", "pointed", "square", "pointed", "square",
)  # fmt: skip
"""Kinds of the pages, over and over."""
PENALTY: Final = 0.03
"""On the squares of the weights."""
_ROUNDS: Final = 40


def heads_of(kind: str, seed: int, model: LoadedModel) -> F64:
    """Whether a rendered page's hand is pointed, and what its heads look like, read end to end.

    Empty for a page of both kinds of hands, or of too few heads.
    """
    rendered = render_page(seed, kind)
    kinds = {staff.kind for staff in rendered.page.staves}
    if len(kinds) != 1:
        return np.zeros(0)
    scan = Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")
    leaf, seen = find_staves_of(scan, make_settings(), model)
    glyphs, readings = number_signs(seen.staves, read_signs(leaf, seen.staves, model))
    described = describe(measure_heads(leaf, seen.staves, glyphs, readings))
    return np.zeros(0) if described is None else np.r_[float("pointed" in kinds), described]


def collect(split: str, pages: int, work: Path, model: LoadedModel) -> tuple[F64, npt.NDArray[np.bool_]]:
    """Descriptions of the pages of a split that have heads enough, and which hands are pointed."""
    folder = work / f"{split}-{zoo.digest(model.hashes)[:12]}"
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for index in range(pages):
        kind, kept = KINDS[index % len(KINDS)], folder / f"{index:04d}.npy"
        if not kept.exists():
            np.save(kept, heads_of(kind, page_seed(SEED, split, index), model))
        one = np.load(kept)
        if one.size:
            found.append(one)
    table = np.array(found).reshape(len(found), 1 + len(GROUPS) * MEASURES)
    return table[:, 1:], table[:, 0] > 0.5


def fit(described: F64, pointed: npt.NDArray[np.bool_], shipped: bool = False) -> tuple[F64, F64, F64, float]:
    """Means, spreads, weights and offset of greatest penalised likelihood (Newton's method).

    Parameters
    ----------
    described, pointed : ndarray
        From `collect`.
    shipped : bool
        Keep the shipped means and spreads and hold the weights near the shipped ones, for fewer pages
        than a fit of its own needs.
    """
    if shipped:
        means, spreads = np.array(MEANS), np.array(SPREADS)
        near = np.r_[np.array(WEIGHTS) * np.sqrt(len(WEIGHTS)), OFFSET]
    else:
        means, spreads = np.nanmean(described, axis=0), np.nanstd(described, axis=0)
        near = np.zeros(described.shape[1] + 1)
    off = np.nan_to_num((described - means) / np.maximum(spreads, LEAST_SPREAD))
    table = np.c_[off / np.sqrt(off.shape[1]), np.ones(len(off))]
    penalty = np.diag([PENALTY] * off.shape[1] + [1e-6])
    weights = near.copy()
    for _ in range(_ROUNDS):
        p = 1 / (1 + np.exp(-np.clip(table @ weights, -30, 30)))
        curve = (table * (p * (1 - p) + 1e-6)[:, None]).T @ table + penalty
        slope = table.T @ (p - pointed) + penalty @ (weights - near)
        weights = weights - np.linalg.solve(curve, slope)
    return means, spreads, weights[:-1] / np.sqrt(off.shape[1]), float(weights[-1])


def report(described: F64, pointed: npt.NDArray[np.bool_]) -> str:
    """How well the shipped table tells the pages."""
    p = np.array([pointed_p(one) for one in described])
    right = (p > 0.5) == pointed
    sure = np.maximum(p, 1 - p)
    bins = reliability(sure, right.astype(np.float64))
    error = sum(n * abs(stated - share) for stated, share, n in bins) / max(1, len(p))
    return (
        f"{len(p)} pages: pointed right {right[pointed].mean():.3f}, "
        f"square right {right[~pointed].mean():.3f}, calibration error {error:.3f}"
    )


def _table(name: str, values: F64) -> str:
    rows = [", ".join(f"{value:.4g}" for value in values[k : k + 8]) for k in range(0, len(values), 8)]
    return f"{name}: Final = (\n" + "".join(f"    {row},\n" for row in rows) + ")"


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--pages", type=int, default=820)
    parser.add_argument("--model", default=zoo.DEFAULT)
    parser.add_argument("--report", action="store_true", help="measure the shipped table on the test part")
    parser.add_argument("--on", action="store_true", help="fit on from the shipped table, which stays near")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    model = load_model(given.model, threads=1)
    described, pointed = collect("test" if given.report else "held-out", given.pages, given.work, model)
    if given.report:
        print(report(described, pointed))
        return
    means, spreads, weights, offset = fit(described, pointed, given.on)
    print("# fmt: off")
    for name, values in (("MEANS", means), ("SPREADS", spreads), ("WEIGHTS", weights)):
        print(_table(name, values))
    print("# fmt: on")
    print(f"OFFSET: Final = {offset:.4g}")


if __name__ == "__main__":
    main()
