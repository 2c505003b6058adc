"""Train the reader of staffless signs.

    python -m neumary_training.staffless_train CONFIG.toml --work DIR [--jobs N] [--render-only]
        [--limit-s SECONDS]

Renders the pages (kept in DIR/free-pages as shards with hashes, so a second run only
trains), trains on a GPU when there is one and on the CPU otherwise, calibrates on pages of
hands kept out, and writes weights, registry entry, card, history and metrics to DIR/model.
Interrupted, the same command goes on from its checkpoint. With a time limit the learning
rate falls with the time that has passed, so that the run ends whole.
"""

from __future__ import annotations

import argparse
import json
import os
import time
import tomllib
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from neumary_models.network import MapNet
from neumary_models.staffless_outputs import (
    CHANNELS_IN,
    CHANNELS_OUT,
    EPISEMA,
    EXTENT,
    EXTENT_UNIT,
    HEAT,
    LIQUESCENT,
    NAME,
    REGION,
    STAFFLESS_NAMES,
)
from neumary_training.export import export_net
from neumary_training.shards import FREE_PAGES, Pool, data_hash, pages_drawn, render_shards
from neumary_training.staffless_data import FREE_VIEW, SPACES_PX, load_free_pages
from neumary_training.staffless_eval import evaluate_free
from neumary_training.staffless_targets import FreeBatch, FreeCropper, shake_pictures
from neumary_training.train import moving_average, rate_of

_ABOUT: Final = "reads signs without staff lines on whole pages; trained on rendered pages only"
_ROLE: Final = "staffless"
_CHECK_BATCHES: Final = 6  # batches of held-out crops looked at, always the same ones


@dataclass(frozen=True, slots=True)
class FreeTrainConfig:
    """Every knob of a run; see `neumary_training.config.TrainConfig` for the shared ones.

    Attributes
    ----------
    crop_rows, crop_cols : int
        Size of a training crop, px; multiples of 16.
    """

    name: str = "staffless"
    seed: int = 1
    train_pages: int = 1200
    held_out_pages: int = 80
    kinds: dict[str, float] | None = None
    widths: tuple[int, int, int, int] = (16, 48, 80, 112)
    blocks: tuple[int, int, int] = (2, 3, 2)
    tail: tuple[int, int] = (32, 48)
    crop_rows: int = 384
    crop_cols: int = 512
    batch: int = 32
    steps: int = 4500
    peak_rate: float = 2e-3
    weight_decay: float = 1e-2
    check_every: int = 500

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for the card and the checkpoint."""
        return asdict(self)


def load_free_config(path: Path) -> FreeTrainConfig:
    """Read a run's configuration; an unknown key is an error.

    Raises
    ------
    ValueError
        For an unknown key.
    """
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    unknown = sorted(set(table) - {f.name for f in fields(FreeTrainConfig)})
    if unknown:
        raise ValueError(f"{path}: unknown setting '{unknown[0]}'")
    for key in ("widths", "blocks", "tail"):
        if key in table:
            table[key] = tuple(table[key])
    return FreeTrainConfig(**table)


def free_losses(scores: Tensor, batch: FreeBatch) -> dict[str, Tensor]:
    """All parts of the loss for one batch.

    The heat map's focal loss is that of Law and Deng, "CornerNet" (ECCV 2018), alpha 2 and
    beta 4; the boxes' is one minus their overlap (Yu et al., "UnitBox", ACM MM 2016) and a
    part for the logarithm of each side; the rest are cross entropies.
    """
    heat = scores[:, HEAT][:, 0].float()
    p = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    hit = batch.heat >= 0.999
    signs = hit.sum().clamp(min=1)
    found = -((1 - p) ** 2 * torch.log(p))[hit].sum()
    empty = -((1 - batch.heat) ** 4 * p**2 * torch.log(1 - p))[~hit].sum()
    weight = batch.weight
    total = weight.sum().clamp(min=1.0)
    name = functional.cross_entropy(scores[:, NAME].float(), batch.name, ignore_index=-1, reduction="none")
    flags = torch.cat([scores[:, EPISEMA], scores[:, LIQUESCENT]], 1).float()
    flag = functional.binary_cross_entropy_with_logits(flags, batch.flags, reduction="none").sum(1)
    log_reach = scores[:, EXTENT].float().clamp(-4, 3)
    true_log = torch.log(batch.extent.clamp(min=0.4) / EXTENT_UNIT)
    side = (log_reach - true_log).abs().clamp(max=2).sum(1)
    reach = EXTENT_UNIT * torch.exp(log_reach)
    both = torch.minimum(reach, batch.extent)
    shared = (both[:, 0] + both[:, 2]) * (both[:, 1] + both[:, 3])
    area = (reach[:, 0] + reach[:, 2]) * (reach[:, 1] + reach[:, 3])
    true_area = (batch.extent[:, 0] + batch.extent[:, 2]) * (batch.extent[:, 1] + batch.extent[:, 3])
    overlap = shared / (area + true_area - shared).clamp(min=1e-3)
    return {
        "heat": (found + empty) / signs,
        "name": (name * weight).sum() / total,
        "flags": 0.5 * (flag * weight).sum() / total,
        "extent": ((0.2 * side + 1 - overlap) * weight).sum() / total,
        "region": 0.5 * functional.cross_entropy(scores[:, REGION].float(), batch.region),
    }


class FreeRun:
    """One training run: everything that changes from step to step, so that it can be resumed."""

    def __init__(self, config: FreeTrainConfig, work: Path, weights: Path | None = None) -> None:
        self.config, self.work = config, work
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        torch.manual_seed(config.seed)
        if self.device.type == "cuda":
            torch.backends.cudnn.benchmark = True
        self.rng = np.random.default_rng([config.seed, 1])
        self.generator = torch.Generator(device=self.device)
        self.generator.manual_seed(config.seed)
        self.net = free_net(config).to(self.device)
        if weights is not None:
            self.net.load_state_dict(torch.load(weights, map_location=self.device, weights_only=True))
        self.optimiser = torch.optim.AdamW(
            self.net.parameters(), lr=config.peak_rate, weight_decay=config.weight_decay
        )
        # An average of the weights generalises better than the last step (Izmailov et al., UAI 2018).
        self.average = torch.optim.swa_utils.AveragedModel(
            self.net, multi_avg_fn=moving_average, use_buffers=True
        )
        self.step = 0
        self.history: list[dict[str, float]] = []
        self._resume()

    def advance(self, crops: FreeCropper, progress: float) -> dict[str, Tensor]:
        """One optimiser step; `progress` 0..1 sets the learning rate."""
        at = max(self.step, round(progress * self.config.steps))
        for group in self.optimiser.param_groups:
            group["lr"] = self.config.peak_rate * rate_of(at, self.config.steps)
        batch = crops.crops(self.rng, self.config.batch)
        picture = shake_pictures(batch.picture, self.generator)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            scores = self.net(picture.contiguous(memory_format=torch.channels_last))
        parts = free_losses(scores, batch)
        total = torch.stack(list(parts.values())).sum()
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        self.optimiser.step()
        self.average.update_parameters(self.net)
        self.step += 1
        return parts

    @torch.no_grad()
    def held_out_loss(self, crops: FreeCropper) -> float:
        """Loss of the averaged weights on fixed held-out crops."""
        rng = np.random.default_rng([self.config.seed, 2])
        net = self.average.module.eval()
        sums = []
        for _ in range(_CHECK_BATCHES):
            batch = crops.crops(rng, self.config.batch)
            with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
                scores = net(batch.picture.contiguous(memory_format=torch.channels_last))
            sums.append(sum(float(part) for part in free_losses(scores, batch).values()))
        return float(np.mean(sums))

    def save(self) -> None:
        """Write the checkpoint whole or not at all."""
        fresh = self.work / "checkpoint.part"
        state = {
            "net": self.net.state_dict(),
            "average": self.average.state_dict(),
            "optimiser": self.optimiser.state_dict(),
            "rng": json.dumps(self.rng.bit_generator.state),
            "generator": self.generator.get_state().cpu(),
            "config": json.dumps(self.config.as_dict(), sort_keys=True),
            "progress": json.dumps([self.step, self.history]),
        }
        torch.save(state, fresh)
        fresh.replace(self.work / "checkpoint.pt")

    def _resume(self) -> None:
        path = self.work / "checkpoint.pt"
        if not path.exists():
            return
        state = torch.load(path, map_location="cpu", weights_only=True)
        if state["config"] != json.dumps(self.config.as_dict(), sort_keys=True):
            raise SystemExit(f"{path} belongs to another configuration; move it away or use another --work")
        self.net.load_state_dict(state["net"])
        self.average.load_state_dict(state["average"])
        self.optimiser.load_state_dict(state["optimiser"])
        self.rng.bit_generator.state = json.loads(state["rng"])
        self.generator.set_state(state["generator"])
        self.step, self.history = json.loads(state["progress"])


def free_net(config: FreeTrainConfig) -> MapNet:
    """The network, untrained."""
    return MapNet(CHANNELS_IN, CHANNELS_OUT, config.widths, HEAT, config.blocks, config.tail)


def train_free(
    config: FreeTrainConfig,
    work: Path,
    limit_s: float = 0.0,
    shards: Path | None = None,
    weights: Path | None = None,
) -> Path:
    """Train, calibrate and export; give the folder of the finished model."""
    work.mkdir(parents=True, exist_ok=True)
    folder = shards or work / FREE_PAGES
    run = FreeRun(config, work, weights)
    held_out = load_free_pages(folder, "held-out")
    crop = (config.crop_rows, config.crop_cols)
    train_crops = FreeCropper(load_free_pages(folder, "train"), crop, run.device)
    held_out_crops = FreeCropper(held_out, crop, run.device)
    began = time.monotonic()
    progress = 0.0
    while run.step < config.steps and progress < 1.0:
        progress = (time.monotonic() - began) / limit_s if limit_s else 0.0
        parts = run.advance(train_crops, progress)
        if run.step % 100 == 0 or run.step == config.steps:
            row = {name: round(float(value.detach()), 4) for name, value in parts.items()}
            run.history.append({"step": run.step, **row})
            print(f"step {run.step} {time.monotonic() - began:.0f}s {row}", flush=True)
        if run.step % config.check_every == 0:
            loss = run.held_out_loss(held_out_crops)
            run.history.append({"step": run.step, "held_out": round(loss, 4)})
            print(f"step {run.step} held-out loss {loss:.4f}", flush=True)
            run.save()
    torch.backends.cudnn.benchmark = False  # every page has its own size
    net = run.average.module.eval()
    metrics, calibration, curve = evaluate_free(net, held_out, run.device)
    metrics = {**metrics, "steps_done": run.step, "data_sha256": data_hash(folder, "train")}
    target = work / "model"
    export_net(
        net.cpu().float(),
        config.as_dict(),
        metrics,
        target,
        about=_ABOUT,
        shape=(CHANNELS_IN, 192, 256),
        role=_ROLE,
        labels=STAFFLESS_NAMES,
        calibration=calibration,
    )
    (target / "history.json").write_text(json.dumps([run.history, curve]) + "\n", encoding="utf-8")
    print(json.dumps(metrics, indent=1), flush=True)
    return target


def main() -> None:
    """Command line of a training run."""
    parser = argparse.ArgumentParser(description="Train the reader of staffless signs on rendered pages.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True, help="folder for shards, checkpoint and model")
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--pages", type=Path, help="folder of render_pages, instead of drawing")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument(
        "--limit-s", type=float, default=0.0, help="seconds the optimiser may take; 0 = no limit"
    )
    parser.add_argument("--from", dest="weights", type=Path, help="weights (.pt) to start from")
    options = parser.parse_args()
    config = load_free_config(options.config)
    if options.pages:
        config = replace(config, **pages_drawn(options.pages, FREE_PAGES))
        shards = options.pages / FREE_PAGES
        print(train_free(config, options.work, options.limit_s, shards, options.weights))
        return
    folder = options.work / FREE_PAGES
    for split, pages in (("held-out", config.held_out_pages), ("train", config.train_pages)):
        pool = Pool(config.seed, config.kinds, SPACES_PX)
        render_shards({folder: FREE_VIEW}, pool, split, pages, options.jobs)
    if not options.render_only:
        print(train_free(config, options.work, options.limit_s, weights=options.weights))


if __name__ == "__main__":
    main()
