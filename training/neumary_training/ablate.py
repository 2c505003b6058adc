"""Ablations: what each part of the data and the input is worth.

    python -m neumary_training.ablate CONFIG.toml --work DIR --steps N [--clean-pages N] [--runs NAME ...]

Trains short runs that differ in one thing each, all on shards already rendered in DIR
(clean pages are rendered anew), all measured on the same aged, held-out hands. Writes
one model folder per run to DIR/ablations, and a table of all runs found there to
DIR/ablations/table.json. Runs may be shared out among several calls on one folder.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from neumary_training.config import Channels, TrainConfig, load_config
from neumary_training.data import STRIPS_VIEW
from neumary_training.shards import Pool, render_shards
from neumary_training.targets import Cropper
from neumary_training.train import Run, train

RUNS: Final = ("both", "colour", "line-free", "eighth-of-hands", "clean-pages", "as-many-aged-pages")
"""All runs, in the order of the table."""
_NEED_CLEAN: Final = frozenset({"clean-pages", "as-many-aged-pages"})


def ablate(
    config: TrainConfig, work: Path, steps: int, clean_pages: int, jobs: int, runs: Sequence[str] = RUNS
) -> list[dict[str, Any]]:
    """Run the ablations asked for; returns one row of figures for each run finished so far."""
    strips, out = work / "strips", work / "ablations"
    base = replace(config, steps=steps, check_every=max(steps // 4, 1), batch=min(config.batch, 64))
    probe = Run(base, out, strips)
    aged, held_out = probe.cropper("train"), probe.cropper("held-out")
    plans: dict[str, Callable[[], tuple[Cropper, Channels]]] = {
        "both": lambda: (aged, "both"),
        "colour": lambda: (aged, "colour"),
        "line-free": lambda: (aged, "line-free"),
        "eighth-of-hands": lambda: (aged.variant(share=1 / 8), "both"),
    }
    if _NEED_CLEAN & set(runs):
        clean = out / "clean-strips"
        pool = Pool(config.seed, config.kinds, ageing=False)
        render_shards({clean: STRIPS_VIEW}, pool, "train", clean_pages, jobs)
        bare = Run(base, out, clean).cropper("train")
        fewer = len(bare.lines) / len(aged.lines)
        plans["clean-pages"] = lambda: (bare, "both")
        plans["as-many-aged-pages"] = lambda: (aged.variant(share=fewer), "both")
    for name in runs:
        crops, channels = plans[name]()
        plan = replace(base, name=name, channels=channels)
        pair = (crops.variant(channels), held_out.variant(channels))
        folder = train(plan, out / name, strips, pair)
        metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
        row = json.dumps({"run": name, "strips": len(crops.lines), **metrics}, indent=1)
        (out / name / "row.json").write_text(row + "\n", encoding="utf-8")
    rows = [out / name / "row.json" for name in RUNS]
    table = [json.loads(path.read_text(encoding="utf-8")) for path in rows if path.exists()]
    (out / "table.json").write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")
    return table


def main() -> None:
    """Command line of the ablations."""
    parser = argparse.ArgumentParser(description="Short runs that differ in one thing each.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=1200)
    parser.add_argument("--clean-pages", type=int, default=500)
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--runs", nargs="+", choices=RUNS, default=RUNS, help="default: all")
    ask = parser.parse_args()
    rows = ablate(load_config(ask.config), ask.work, ask.steps, ask.clean_pages, ask.jobs, ask.runs)
    print(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
