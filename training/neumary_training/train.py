"""Train the sign reader.

    python -m neumary_training.train CONFIG.toml --work DIR [--jobs N] [--render-only]

Renders the pages (kept in DIR as shards, so a second run only trains), trains on a
GPU when there is one and on the CPU otherwise, calibrates on hands kept out, and
writes weights, registry entry, card and metrics to DIR/model.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from neumary_models.network import StripNet
from neumary_models.outputs import HEAT, LABEL, LAYER, OFFSET, SHIFT, STARTS
from neumary_training.config import TrainConfig, load_config
from neumary_training.data import load_strips, render_strips
from neumary_training.evaluate import evaluate
from neumary_training.export import export_model
from neumary_training.targets import Batch, Cropper, shake_colours


def losses(scores: Tensor, batch: Batch) -> dict[str, Tensor]:
    """All parts of the loss for one batch.

    The heat map's focal loss is that of Law and Deng, "CornerNet" (ECCV 2018), with
    alpha 2 and beta 4; the rest are cross entropies and an L1 loss at the signs.
    """
    heat = scores[:, HEAT][:, 0].float()
    p = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    hit = batch.heat >= 0.999
    signs = hit.sum().clamp(min=1)
    found = -((1 - p) ** 2 * torch.log(p))[hit].sum()
    empty = -((1 - batch.heat) ** 4 * p**2 * torch.log(1 - p))[~hit].sum()
    weight = batch.weight
    total = weight.sum().clamp(min=1.0)

    def asked(part: Tensor, target: Tensor) -> Tensor:
        loss = functional.cross_entropy(part.float(), target, ignore_index=-1, reduction="none")
        return (loss * weight).sum() / total

    begins = scores[:, STARTS][:, 0].float()
    want = batch.begins >= 0
    begin = functional.binary_cross_entropy_with_logits(begins, batch.begins.clamp(min=0), reduction="none")
    off = (scores[:, OFFSET].float() - batch.offset).abs().sum(1).clamp(max=8.0)
    return {
        "heat": (found + empty) / signs,
        "label": asked(scores[:, LABEL], batch.label),
        "shift": asked(scores[:, SHIFT], batch.shift),
        "offset": 0.5 * (off * weight).sum() / total,
        "starts": 0.5 * (begin * weight * want).sum() / total,
        "layer": 0.5 * functional.cross_entropy(scores[:, LAYER].float(), batch.layer),
    }


def train(config: TrainConfig, work: Path, jobs: int) -> Path:
    """Run the whole training; returns the folder of the finished model."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(config.seed)
    rng = np.random.default_rng([config.seed, 1])
    generator = torch.Generator(device=device)
    generator.manual_seed(config.seed)
    net: torch.nn.Module = StripNet(config.widths).to(device)
    optimiser = torch.optim.AdamW(net.parameters(), lr=config.peak_rate, weight_decay=config.weight_decay)
    checkpoint = work / "checkpoint.pt"
    first = _resume(checkpoint, net, optimiser, rng, generator, config)
    # An average of the weights generalises better than the last step (Izmailov et al., UAI 2018).
    average = torch.optim.swa_utils.AveragedModel(net, multi_avg_fn=_moving_average, use_buffers=True)
    cropper = Cropper(
        load_strips(work / "strips", "train"), config.crop_cols, config.heat_sigma_cells, device
    )
    log = (work / "log.tsv").open("a", encoding="utf-8")
    began = time.monotonic()
    for step in range(first, config.steps):
        for group in optimiser.param_groups:
            group["lr"] = config.peak_rate * _rate(step, config.steps)
        batch = cropper.crops(rng, config.batch)
        strips = shake_colours(batch.strips, generator).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            scores = net(strips)
        parts = losses(scores, batch)
        total = torch.stack(list(parts.values())).sum()
        optimiser.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        average.update_parameters(net)
        if step % 100 == 0 or step == config.steps - 1:
            row = {name: round(float(value.detach()), 4) for name, value in parts.items()}
            print(f"step {step} {time.monotonic() - began:.0f}s {row}", file=log, flush=True)
            print(f"step {step} {time.monotonic() - began:.0f}s {row}", flush=True)
        if step % 1000 == 999:
            _save(checkpoint, net, optimiser, rng, generator, config, step + 1)
    final = average.module.eval()
    held_out = Cropper(
        load_strips(work / "strips", "held-out"), config.crop_cols, config.heat_sigma_cells, device
    )
    metrics, calibration = evaluate(final, held_out)
    folder = work / "model"
    export_model(final.cpu().float(), config, calibration, metrics, folder)
    print(json.dumps(metrics, indent=1), flush=True)
    return folder


def _moving_average(averaged: Any, current: Any, count: Any) -> None:
    """Exponential moving average that forgets its first, untrained weights fast."""
    keep = min(0.999, (1 + int(count)) / (10 + int(count)))
    for old, new in zip(averaged, current, strict=True):
        if old.is_floating_point():
            old.lerp_(new, 1 - keep)
        else:
            old.copy_(new)


def _rate(step: int, steps: int) -> float:
    warm = max(1, min(500, steps // 10))
    if step < warm:
        return (step + 1) / warm
    return 0.5 * (1 + math.cos(math.pi * (step - warm) / max(1, steps - warm))) * 0.99 + 0.01


def _save(
    path: Path, net: Any, optimiser: Any, rng: Any, generator: Any, config: TrainConfig, step: int
) -> None:
    fresh = path.with_suffix(".part")
    torch.save(
        {
            "net": net.state_dict(),
            "optimiser": optimiser.state_dict(),
            "rng": json.dumps(rng.bit_generator.state),
            "generator": generator.get_state().cpu(),
            "config": json.dumps(config.as_dict(), sort_keys=True),
            "step": step,
        },
        fresh,
    )
    fresh.replace(path)


def _resume(path: Path, net: Any, optimiser: Any, rng: Any, generator: Any, config: TrainConfig) -> int:
    if not path.exists():
        return 0
    state = torch.load(path, map_location="cpu", weights_only=True)
    if state["config"] != json.dumps(config.as_dict(), sort_keys=True):
        raise SystemExit(f"{path} belongs to another configuration; move it away or use another --work")
    net.load_state_dict(state["net"])
    optimiser.load_state_dict(state["optimiser"])
    rng.bit_generator.state = json.loads(state["rng"])
    generator.set_state(state["generator"])
    return int(state["step"])


def main() -> None:
    """Command line of a training run."""
    parser = argparse.ArgumentParser(description="Train the sign reader on rendered pages.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True, help="folder for shards, checkpoint and model")
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--render-only", action="store_true")
    options = parser.parse_args()
    config = load_config(options.config)
    strips = options.work / "strips"
    render_strips(strips, config.seed, "held-out", config.held_out_pages, config.kinds, options.jobs)
    render_strips(strips, config.seed, "train", config.train_pages, config.kinds, options.jobs)
    if not options.render_only:
        print(train(config, options.work, options.jobs))


if __name__ == "__main__":
    main()
