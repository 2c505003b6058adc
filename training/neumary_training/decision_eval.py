"""What the joint decision is worth: rendered pages read by the whole pipeline, with and without it.

::

    python -m neumary_training.decision_eval --split test --pages 200 --work runs/decision

Pages are rendered from `neumary_training.data.page_seed(1, split, index)`, kinds in turn, and read
once. Pictures and what was read before any decision are kept in the work folder, so that a change of
the decision is measured in seconds: delete its ``*.raw.json`` after a change of the earlier stages or
the network, the whole folder after a change of the renderer.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from neumary.metrics import PageScore, bootstrap_interval, combine, score_page
from neumary.pipeline import judge, observe
from neumary.settings import ReadSettings
from neumary.store import load_page, save_page
from neumary.types import Page, Scan
from neumary_models import zoo
from neumary_synth.render import render_page
from neumary_training.data import page_seed
from neumary_training.decision_measures import (
    ClefCount,
    StepCount,
    clef_plants,
    count_clefs,
    count_steps,
    error_causes,
    inferred_clefs,
    reliability,
    staff_shifts,
    warned_staves,
)

KINDS: Final = ("square", "pointed", "five-line", "songbook")
_SEED: Final = 1


@dataclass(frozen=True, slots=True)
class Case:
    """One rendered page: its truth, and what was read before any decision."""

    name: str
    truth: Page
    raw: Page


def prepare(work: Path, split: str, pages: int, jobs: int) -> Iterator[Case]:
    """Render and read pages; those already in the work folder are taken from there.

    Parameters
    ----------
    work : Path
        Made where it is missing.
    split : str
        "held-out" to tune on, "test" to report on; "train" is refused.
    pages, jobs : int

    Raises
    ------
    ValueError
        For the split the network was trained on.
    """
    if split == "train":
        raise ValueError("figures on pages the network was trained on say nothing")
    work.mkdir(parents=True, exist_ok=True)
    todo = [i for i in range(pages) if not (work / f"{split}-{i:04d}.raw.json").exists()]
    tasks = [(str(work), split, i) for i in todo]
    if jobs > 1 and todo:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            for _ in pool.map(_prepare_one, tasks):
                pass
    else:
        for task in tasks:
            _prepare_one(task)
    for i in range(pages):
        name = f"{split}-{i:04d}"
        yield Case(name, load_page(work / f"{name}.truth.json"), load_page(work / f"{name}.raw.json"))


def _prepare_one(task: tuple[str, str, int]) -> None:
    work, split, index = Path(task[0]), task[1], task[2]
    cv2.setNumThreads(1)
    name = f"{split}-{index:04d}"
    picture = work / f"{name}.png"
    if not picture.exists():
        rendered = render_page(page_seed(_SEED, split, index), KINDS[index % len(KINDS)])
        save_page(rendered.page, work / f"{name}.truth.json")
        cv2.imwrite(str(picture), rendered.rgb[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    rgb = np.asarray(cv2.imread(str(picture)), dtype=np.uint8)[..., ::-1]
    scan = Scan(page_id=name, rgb=rgb, source=picture.name, sha256="")
    raw = observe(scan, ReadSettings(), zoo.load(zoo.DEFAULT))
    save_page(raw, work / f"{name}.raw.json")


def measure(cases: Sequence[Case]) -> dict[str, Any]:
    """All figures of a set of pages; see the keys."""
    plain, joint = ReadSettings(decide=False), ReadSettings(decide=True)
    scores: dict[str, list[PageScore]] = {"with": [], "without": []}
    clefs, bare_clefs, steps = ClefCount(), ClefCount(), StepCount()
    pairs: list[tuple[float, bool]] = []
    inferred: list[tuple[float, bool]] = []
    causes: Counter[str] = Counter()
    plants = {"pages": 0, "right": 0, "warned": 0}
    for case in cases:
        before, after = judge(case.raw, plain), judge(case.raw, joint)
        scores["without"].append(score_page(before, case.truth))
        scores["with"].append(score_page(after, case.truth))
        count_clefs(clefs, after, case.truth)
        count_clefs(bare_clefs, before, case.truth)
        count_steps(steps, before, after, case.truth)
        pairs += reliability(before, case.truth)
        inferred += inferred_clefs(after, case.truth)
        causes += error_causes(after, case.truth)
        _plant(case, before, joint, plants)
    return {
        "pages": len(cases),
        **{f"{name} decision": _figures(found) for name, found in scores.items()},
        "wrong notes by cause, decided": dict(causes.most_common()),
        "staves, decided": clefs.as_dict(),
        "staves, undecided": bare_clefs.as_dict(),
        "planted C/F slips (sure)": plants,
        "steps": steps.as_dict(),
        "step reliability": _table(pairs),
        "inferred clef reliability": _table(inferred),
    }


def _plant(case: Case, before: Page, settings: ReadSettings, plants: dict[str, int]) -> None:
    """One staff of a page with custodes has its C clef read as F (or F as C), surely and without rival."""
    for planted, staff in clef_plants(case.raw, before, case.truth, case.name):
        found = judge(planted, settings)
        plants["pages"] += 1
        right = staff_shifts(found, case.truth).get(staff) == 0
        plants["right"] += right
        plants["warned"] += staff in warned_staves(found) and not right


def _figures(scores: Sequence[PageScore]) -> dict[str, Any]:
    total = combine(scores)
    return {
        "melody error": round(total.melody_error_rate, 5),
        "interval": bootstrap_interval(scores, lambda s: s.melody_error_rate, draws=300),
        "median page": round(float(np.median([s.melody_error_rate for s in scores])), 5),
        "pages at 2 % or below": sum(s.melody_error_rate <= 0.02 for s in scores),
        "clefs once": round(total.melody_error_rate_once, 5),
        "notes hit/spurious/missed": [total.notes.hit, total.notes.spurious, total.notes.missed],
        "step": round(total.step.accuracy, 5),
        "pitch": round(total.pitch.accuracy, 5),
        "signs F1": {group: round(tally.f1, 4) for group, tally in total.signs.items()},
        "pitch calibration error": round(total.pitch_calibration_error, 4),
        "hands-off": round(total.hands_off, 4),
    }


def _table(pairs: Sequence[tuple[float, bool]]) -> list[str]:
    """Said and true probability, in bins."""
    edges = [0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.01]
    rows = []
    for low, high in itertools.pairwise(edges):
        inside = [(p, right) for p, right in pairs if low <= p < high]
        if inside:
            said, true = (sum(column) / len(inside) for column in zip(*inside, strict=True))
            rows.append(f"{low:.2f}..{min(high, 1):.2f}: n {len(inside)}, said {said:.3f}, true {true:.3f}")
    return rows


def main() -> None:
    """Command line; see the module's head."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--split", default="held-out", choices=("held-out", "test"))
    parser.add_argument("--pages", type=int, default=40)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path("runs/decision"))
    choice = parser.parse_args()
    cases = list(prepare(choice.work, choice.split, choice.pages, choice.jobs))
    json.dump(measure(cases), sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main()
