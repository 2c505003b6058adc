"""Draw pages once, as all three networks are to see them.

    python -m neumary_training.render_pages CONFIG.toml --work DIR [--jobs N] [--limit-s SECONDS]

Writes DIR/strips, DIR/leaves and DIR/free-pages; a training run is pointed at them by
``--pages DIR``. Begun again, it goes on where it stopped.
"""

from __future__ import annotations

import argparse
import json
import os
import time
import tomllib
from pathlib import Path
from typing import Any, Final

from neumary_training.data import STRIPS_VIEW
from neumary_training.leaf_data import LEAVES_VIEW
from neumary_training.shards import FREE_PAGES, LEAVES, POOL_FILE, STRIPS, Pool, View, render_shards
from neumary_training.staffless_data import FEW_FREE_VIEW, SPACES_PX

_VIEWS: Final[dict[str, View]] = {STRIPS: STRIPS_VIEW, LEAVES: LEAVES_VIEW, FREE_PAGES: FEW_FREE_VIEW}
_KEYS: Final = frozenset({"seed", "train_pages", "held_out_pages", "kinds"})


def render_pages(config: Path, work: Path, jobs: int, limit_s: float = 0.0) -> None:
    """Draw what a configuration asks for.

    Parameters
    ----------
    config : Path
        TOML with `seed`, `train_pages`, `held_out_pages` and a table `kinds` of shares.
    work : Path
    jobs : int
        Worker processes.
    limit_s : float
        Seconds after which nothing new is begun; 0 for no limit.

    Raises
    ------
    ValueError
        For a setting that is missing or not known.
    """
    table: dict[str, Any] = tomllib.loads(config.read_text(encoding="utf-8"))
    if wrong := sorted(set(table) ^ _KEYS):
        raise ValueError(f"{config}: setting '{wrong[0]}' is missing or not known")
    work.mkdir(parents=True, exist_ok=True)
    (work / POOL_FILE).write_text(json.dumps(table, sort_keys=True) + "\n", encoding="utf-8")
    pool = Pool(table["seed"], table["kinds"], SPACES_PX)
    views = {work / name: view for name, view in _VIEWS.items()}
    until = time.monotonic() + limit_s
    for split, key in (("held-out", "held_out_pages"), ("train", "train_pages")):
        left = max(1.0, until - time.monotonic()) if limit_s else 0.0
        render_shards(views, pool, split, table[key], jobs, limit_s=left)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Draw pages once for all networks.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True, help="folder for the shards")
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--limit-s", type=float, default=0.0, help="seconds to draw; 0 = no limit")
    options = parser.parse_args()
    render_pages(options.config, options.work, options.jobs, options.limit_s)


if __name__ == "__main__":
    main()
