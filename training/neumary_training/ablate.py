"""Ablations: what each part of the data and the input is worth.

    python -m neumary_training.ablate CONFIG.toml --work DIR --steps N [--clean-pages N]

Trains short runs that differ in one thing each, all on shards already rendered in DIR
(clean pages are rendered anew), all measured on the same aged, held-out hands. Writes
one ONNX model per run to DIR/ablations and a table to DIR/ablations/table.json.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

from neumary_training.config import TrainConfig, load_config
from neumary_training.data import render_strips
from neumary_training.train import train


def ablate(config: TrainConfig, work: Path, steps: int, clean_pages: int, jobs: int) -> list[dict[str, Any]]:
    """Run all ablations; returns one row of figures each."""
    strips, out = work / "strips", work / "ablations"
    base = replace(config, steps=steps, check_every=max(steps // 4, 1))
    clean = out / "clean-strips"
    render_strips(clean, config.seed, "train", clean_pages, config.kinds, jobs, ageing=False)
    for path in strips.glob("held-out-*"):
        shutil.copy(path, clean / path.name)
    shards = len(list(strips.glob("train-*.npz")))
    clean_shards = len(list(clean.glob("train-*.npz")))
    plans: list[tuple[str, TrainConfig, Path, int | None]] = [
        ("both", base, strips, None),
        ("colour", replace(base, channels="colour"), strips, None),
        ("line-free", replace(base, channels="line-free"), strips, None),
        ("eighth-of-hands", base, strips, max(1, shards // 8)),
        ("clean-pages", replace(base, ageing=False), clean, None),
        ("aged-pages", base, strips, clean_shards),
    ]
    rows = []
    for name, plan, data, most in plans:
        folder = train(replace(plan, name=name), out / name, data, most)
        metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
        rows.append({"run": name, "pages": 20 * (most or len(list(data.glob("train-*.npz")))), **metrics})
        shutil.copy(folder / f"{name}.onnx", out / f"{name}.onnx")
        shutil.copy(folder / "registry.toml", out / f"{name}.toml")
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
