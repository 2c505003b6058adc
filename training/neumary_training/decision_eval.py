"""What the joint decision is worth: rendered pages judged with and without it.

::

    python -m neumary_training.decision_eval --split test --pages 200 --work runs/decision
    python -m neumary_training.decision_eval --split test --first 400 --pages 200 --kinds square pointed
    python -m neumary_training.decision_eval --staves truth --work runs/decision      # staves of the truth
    python -m neumary_training.decision_eval --staves truth --signs truth --work runs/decision

Pages are rendered from `neumary_training.shards.page_seed(1, split, index)`, kinds in turn, and read
once. Pictures and what was seen before any decision are kept in the work folder, so that a change of the
decision is measured in seconds. Staves and signs may be taken from the truth (`decision_cases`): what is
wrong then is the decision's own.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from neumary.measures import Share
from neumary.metrics import PageScore, bootstrap_interval, combine, score_page
from neumary.pipeline import judge
from neumary.settings import ReadSettings
from neumary.types import Page
from neumary_models import zoo
from neumary_training.decision_cases import KINDS, Case, Wanted, prepare
from neumary_training.decision_hidden import melody_apart
from neumary_training.decision_measures import (
    ClefCount,
    StepCount,
    clef_plants,
    count_clefs,
    count_steps,
    error_causes,
    fit_temperature,
    inferred_clefs,
    reliability,
    staff_shifts,
    step_odds,
    warned_staves,
)

_PLANTS: int = 3  # a page


def measure(cases: Sequence[Case]) -> dict[str, Any]:
    """All figures of a set of pages; see the keys."""
    plain, joint = ReadSettings(decide=False), ReadSettings(decide=True)
    scores: dict[str, list[PageScore]] = {"with": [], "without": []}
    clefs, bare_clefs, steps = ClefCount(), ClefCount(), StepCount()
    pairs: list[tuple[float, bool]] = []
    inferred: list[tuple[float, bool]] = []
    odds = []
    causes: Counter[str] = Counter()
    plants = Counter({"planted": 0, "put right": 0, "warned of": 0})
    apart: dict[str, Share] = {}
    for case in cases:
        before, after = judge(case.raw, plain), judge(case.raw, joint)
        scores["without"].append(score_page(before, case.truth))
        scores["with"].append(score_page(after, case.truth))
        count_clefs(clefs, after, case.truth)
        count_clefs(bare_clefs, before, case.truth)
        count_steps(steps, before, after, case.truth)
        pairs += reliability(before, case.truth)
        odds += step_odds(before, case.truth)
        inferred += inferred_clefs(after, case.truth)
        causes += error_causes(after, case.truth)
        plants += _plant(case, before, joint)
        for part, edits in melody_apart(after, case.truth).items():
            apart[part] = apart.get(part, Share()) + edits
    return {
        "pages": len(cases),
        **{f"{name} decision": _figures(found) for name, found in scores.items()},
        "melody error by clef, decided": {
            f"{part} (notes)": [_share(edits.count, edits.total), edits.total]
            for part, edits in apart.items()
        },
        "wrong notes by cause, decided": dict(causes.most_common()),
        "staves, decided": clefs.as_dict(),
        "sound staves with a clef warning": _share(clefs.sound_warned, clefs.sound),
        "hidden clefs right": _share(clefs.hidden_right, clefs.hidden),
        "hidden clefs right where a custos, flat or natural speaks": _share(
            clefs.witnessed_right, clefs.witnessed
        ),
        "staves, undecided": bare_clefs.as_dict(),
        "planted C/F slips (sure)": dict(plants),
        "steps": steps.as_dict(),
        "step reliability": _table(pairs),
        "step temperature that would fit better": fit_temperature(odds),
        "inferred clef reliability": _table(inferred),
    }


def _share(part: int, whole: int) -> float | None:
    return round(part / whole, 4) if whole else None


def _plant(case: Case, before: Page, settings: ReadSettings) -> Counter[str]:
    """Staves of a page with custodes whose C clef is read as F (or F as C), surely and without rival."""
    count: Counter[str] = Counter()
    for planted, staff in clef_plants(case.raw, before, case.truth, case.name, _PLANTS):
        found = judge(planted, settings)
        right = staff_shifts(found, case.truth).get(staff) == 0
        count["planted"] += 1
        count["put right"] += right
        count["warned of"] += staff in warned_staves(found) and not right
    return count


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
        "hands-off, level chosen here": round(total.hands_off, 4),
        "hands-off, level chosen on the other half: taken, wrong": _two_halves(scores),
    }


def _two_halves(scores: Sequence[PageScore]) -> list[float]:
    """Share of notes taken unseen at half a percent of error, and wrong ones among them, levels swapped."""
    halves = [[(o.note_p, o.note_right) for s in scores[k::2] for o in s.outcomes] for k in (0, 1)]
    missed = sum(s.notes.missed for s in scores)
    taken: list[bool] = []
    for own, other in (halves, halves[::-1]):
        level = _level(other)
        taken += [right for p, right in own if p >= level]
    total = sum(len(half) for half in halves) + missed
    return [round(len(taken) / max(total, 1), 4), round(1 - sum(taken) / max(len(taken), 1), 5)]


def _level(notes: Sequence[tuple[float, bool]], error: float = 0.005) -> float:
    """Lowest confidence from which on not more than `error` of the notes are wrong."""
    level, wrong = 2.0, 0
    for n, (p, right) in enumerate(sorted(notes, key=lambda note: -note[0]), 1):
        wrong += not right
        level = p if wrong <= error * n else level
    return level


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
    parser.add_argument("--pages", type=int, default=40, help="how many pages, of all kinds")
    parser.add_argument("--first", type=int, default=0, help="number of the first page")
    parser.add_argument("--kinds", nargs="+", default=KINDS, choices=KINDS, help="only pages of these")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--work", type=Path, default=Path("runs/decision"))
    parser.add_argument("--staves", default="found", choices=("found", "truth"))
    parser.add_argument("--signs", default="read", choices=("read", "truth"))
    parser.add_argument("--model", default=zoo.DEFAULT, help="name or file of the network")
    choice = parser.parse_args()
    if choice.signs == "truth" and choice.staves == "found":
        parser.error("--signs truth stands on --staves truth")
    wanted = Wanted(
        choice.work, choice.split, choice.pages, choice.staves, choice.signs, choice.model,
        choice.first, tuple(choice.kinds),
    )  # fmt: skip
    json.dump(measure(list(prepare(wanted, choice.jobs))), sys.stdout, indent=1)
    print()


if __name__ == "__main__":
    main()
