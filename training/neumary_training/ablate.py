"""Ablations: what each part of the data and the input is worth.

    python -m neumary_training.ablate CONFIG.toml --work DIR --steps N [--clean-pages N]

Trains short runs that differ in one thing each, all on shards already rendered in DIR
(clean pages are rendered anew), all measured on the same aged, held-out hands. Writes
one model folder per run to DIR/ablations and a table to DIR/ablations/table.json.
"""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from neumary_training.config import Channels, TrainConfig, load_config
from neumary_training.data import STRIPS_VIEW
from neumary_training.shards import Pool, render_shards
from neumary_training.targets import Cropper
from neumary_training.train import Run, train


def ablate(config: TrainConfig, work: Path, steps: int, clean_pages: int, jobs: int) -> list[dict[str, Any]]:
    """Run all ablations; returns one row of figures each."""
    strips, out = work / "strips", work / "ablations"
    base = replace(config, steps=steps, check_every=max(steps // 4, 1), batch=min(config.batch, 64))
    clean = out / "clean-strips"
    render_shards(
        {clean: STRIPS_VIEW}, Pool(config.seed, config.kinds, ageing=False), "train", clean_pages, jobs
    )
    probe = Run(base, out, strips)
    aged, held_out = probe.cropper("train"), probe.cropper("held-out")
    bare = Run(base, out, clean).cropper("train")
    fewer = len(bare.lines) / len(aged.lines)
    plans: list[tuple[str, Cropper, Channels]] = [
        ("both", aged, "both"),
        ("colour", aged, "colour"),
        ("line-free", aged, "line-free"),
        ("eighth-of-hands", aged.variant(share=1 / 8), "both"),
        ("clean-pages", bare, "both"),
        ("as-many-aged-pages", aged.variant(share=fewer), "both"),
    ]
    rows = []
    for name, crops, channels in plans:
        plan = replace(base, name=name, channels=channels)
        pair = (crops.variant(channels), held_out.variant(channels))
        folder = train(plan, out / name, strips, pair)
        metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
        rows.append({"run": name, "strips": len(crops.lines), **metrics})
        (out / "table.json").write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    return rows


def main() -> None:
    """Command line of the ablations."""
    parser = argparse.ArgumentParser(description="Short runs that differ in one thing each.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=1200)
    parser.add_argument("--clean-pages", type=int, default=500)
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    options = parser.parse_args()
    rows = ablate(load_config(options.config), options.work, options.steps, options.clean_pages, options.jobs)
    print(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
