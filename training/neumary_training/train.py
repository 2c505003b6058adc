"""Train the sign reader.

    python -m neumary_training.train CONFIG.toml --work DIR [--jobs N] [--render-only]

Renders the pages (kept in DIR as shards with hashes, so a second run only trains),
trains on a GPU when there is one and on the CPU otherwise, stops early when hands kept
out no longer gain, calibrates on them, and writes weights, registry entry, card, plots
and metrics to DIR/model. Interrupted, the same command goes on from its checkpoint.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import time
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from neumary_models.labels import LABELS, LAYERS
from neumary_models.network import StripNet
from neumary_models.outputs import HEAT, LABEL, LAYER, OFFSET, SHIFT, STARTS
from neumary_training.config import TrainConfig, load_config
from neumary_training.data import STRIPS_VIEW, load_strips
from neumary_training.evaluate import evaluate
from neumary_training.export import export_model
from neumary_training.shakes import shake_colours, show_through
from neumary_training.shards import STRIPS, Pool, data_hash, pages_drawn, render_shards
from neumary_training.targets import Batch, Cropper

_CHECK_BATCHES = 6  # batches of held-out crops looked at, always the same ones


# Rare signs whose loss costs most: a clef missed shifts every note behind it.
_LABEL_WEIGHTS: Final = {"clef": 2.0, "accidental": 2.0, "custos": 1.5, "division": 1.0, "head": 1.0}
_RARE_HEADS: Final = frozenset({"inclinatum", "quilisma", "oriscus", "stropha", "liquescent"})
_RARE_HEAD_WEIGHT: Final = 1.5


# Strokes of letters and initials look most like signs, and those read there are the surest false ones.
_OTHER_INK: Final = tuple(LAYERS.index(name) for name in ("text", "decoration"))
_OTHER_INK_WEIGHT: Final = 1.5


def label_weights() -> list[float]:
    """Weight of each label in the label loss, in the order of `NAMES`."""
    return [
        _RARE_HEAD_WEIGHT if label.name in _RARE_HEADS else _LABEL_WEIGHTS[label.group] for label in LABELS
    ]


def losses(scores: Tensor, batch: Batch, smoothing: float = 0.0) -> dict[str, Tensor]:
    """All parts of the loss for one batch; `smoothing` is that of the labels.

    The heat map's focal loss is that of Law and Deng, "CornerNet" (ECCV 2018), with
    alpha 2 and beta 4; the rest are cross entropies and an L1 loss at the signs.
    """
    heat = scores[:, HEAT][:, 0].float()
    p = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    hit = batch.heat >= 0.999
    signs = hit.sum().clamp(min=1)
    found = -((1 - p) ** 2 * torch.log(p))[hit].sum()
    penned = torch.isin(batch.layer, torch.tensor(_OTHER_INK, device=heat.device))
    costs = 1.0 + (_OTHER_INK_WEIGHT - 1.0) * penned
    empty = -(costs * (1 - batch.heat) ** 4 * p**2 * torch.log(1 - p))[~hit].sum()
    weight = batch.weight
    total = weight.sum().clamp(min=1.0)

    def asked(part: Tensor, target: Tensor, of_class: Tensor | None = None, smooth: float = 0.0) -> Tensor:
        loss = functional.cross_entropy(
            part.float(), target, weight=of_class, ignore_index=-1, reduction="none", label_smoothing=smooth
        )
        return (loss * weight).sum() / total

    begins = scores[:, STARTS][:, 0].float()
    want = batch.begins >= 0
    begin = functional.binary_cross_entropy_with_logits(begins, batch.begins.clamp(min=0), reduction="none")
    off = (scores[:, OFFSET].float() - batch.offset).abs().sum(1).clamp(max=8.0)
    of_label = torch.tensor(label_weights(), device=heat.device)
    return {
        "heat": (found + empty) / signs,
        "label": asked(scores[:, LABEL], batch.label, of_label, smoothing),
        "shift": asked(scores[:, SHIFT], batch.shift),
        "offset": 0.5 * (off * weight).sum() / total,
        "starts": 0.5 * (begin * weight * want).sum() / total,
        "layer": 0.5 * functional.cross_entropy(scores[:, LAYER].float(), batch.layer),
    }


class Run:
    """One training run: everything that changes from step to step, so that it can be resumed."""

    def __init__(self, config: TrainConfig, work: Path, strips: Path, weights: Path | None = None) -> None:
        self.config, self.work = config, work
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        torch.manual_seed(config.seed)
        self.rng = np.random.default_rng([config.seed, 1])
        self.generator = torch.Generator(device=self.device)
        self.generator.manual_seed(config.seed)
        self.net = StripNet(config.widths, config.blocks, config.tail).to(self.device)
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
        self.due = 0  # the step that a time limit would have us be at
        self.best, self.stale = math.inf, 0
        self.strips = strips
        self.history: list[dict[str, float]] = []
        self.resume()

    def cropper(self, split: str) -> Cropper:
        """Crops of one split on the training device."""
        return Cropper(
            load_strips(self.strips, split),
            self.config.crop_cols,
            self.config.heat_sigma_cells,
            self.device,
            self.config.channels,
        )

    def advance(self, crops: Cropper) -> dict[str, Tensor]:
        """One optimiser step."""
        done = max(self.step, self.due)
        for group in self.optimiser.param_groups:
            group["lr"] = self.config.peak_rate * rate_of(done, self.config.steps)
        config = self.config
        batch = crops.crops(self.rng, config.batch, config.ends, config.stretch, config.slant)
        show_through(batch.strips, batch.layer, self.generator)
        strips = shake_colours(batch.strips, self.generator, crops.blind)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=computes_in_16_bits(self.device)):
            scores = self.net(strips.contiguous(memory_format=torch.channels_last))
        parts = losses(scores, batch, config.label_smoothing)
        total = torch.stack(list(parts.values())).sum()
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        self.optimiser.step()
        self.average.update_parameters(self.net)
        self.step += 1
        return parts

    @torch.no_grad()
    def held_out_loss(self, crops: Cropper) -> float:
        """Loss of the averaged weights on fixed held-out crops."""
        rng = np.random.default_rng([self.config.seed, 2])
        net = self.average.module.eval()
        sums = []
        for _ in range(_CHECK_BATCHES):
            batch = crops.crops(rng, self.config.batch)
            with torch.autocast(self.device.type, torch.bfloat16, enabled=computes_in_16_bits(self.device)):
                scores = net(batch.strips)
            sums.append(sum(float(part) for part in losses(scores, batch).values()))
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
            "progress": json.dumps([self.step, self.best, self.stale, self.history]),
        }
        torch.save(state, fresh)
        fresh.replace(self.work / "checkpoint.pt")

    def resume(self) -> None:
        """Go on from the checkpoint, if there is one of this configuration."""
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
        self.step, self.best, self.stale, self.history = json.loads(state["progress"])


def train(
    config: TrainConfig,
    work: Path,
    strips: Path | None = None,
    crops: tuple[Cropper, Cropper] | None = None,
    limit_s: float = 0.0,
    weights: Path | None = None,
) -> Path:
    """Train, calibrate and export.

    Parameters
    ----------
    config : TrainConfig
    work : Path
        Folder for checkpoint, log and model.
    strips : Path, optional
        Folder of the shards; default ``work / "strips"``.
    crops : pair of Cropper, optional
        Training and held-out crops that are loaded already.
    limit_s : float
        Seconds the optimiser may take; the learning rate falls with the time passed, so that
        the run ends whole. 0 for no limit.
    weights : Path, optional
        A ``.pt`` file to start from rather than from chance.

    Returns
    -------
    Path
        Folder of the finished model.
    """
    work.mkdir(parents=True, exist_ok=True)
    strips = strips or work / STRIPS
    run = Run(config, work, strips, weights)
    train_crops, held_out = crops or (run.cropper("train"), run.cropper("held-out"))
    torch.backends.cudnn.benchmark = True  # all crops have one size
    began = time.monotonic()
    while max(run.step, run.due) < config.steps and run.stale < config.patience:
        if limit_s:
            run.due = int(config.steps * (time.monotonic() - began) / limit_s)
        parts = run.advance(train_crops)
        if run.step % 100 == 0:
            row = {name: round(float(value.detach()), 4) for name, value in parts.items()}
            run.history.append({"step": run.step, **row})
            print(f"step {run.step} {time.monotonic() - began:.0f}s {row}", flush=True)
        if run.step % config.check_every == 0:
            loss = run.held_out_loss(held_out)
            run.stale = 0 if loss < run.best else run.stale + 1
            run.best = min(run.best, loss)
            run.history.append({"step": run.step, "held_out": round(loss, 4)})
            print(f"step {run.step} held-out loss {loss:.4f}, best {run.best:.4f}", flush=True)
            run.save()
    torch.backends.cudnn.benchmark = False  # every strip has its own
    metrics, calibration, curve = evaluate(run.average.module.eval(), held_out)
    metrics = {**metrics, "steps_done": run.step, "data_sha256": data_hash(strips, "train")}
    folder = work / "model"
    final = _blinded(run.average.module.cpu().float(), held_out.blind)
    export_model(final, config, calibration, metrics, folder)
    from neumary_training.plots import plot_run

    (folder / "history.json").write_text(json.dumps(run.history) + "\n", encoding="utf-8")
    plot_run(run.history, curve, folder / f"{config.name}.png")
    print(json.dumps(metrics, indent=1), flush=True)
    return folder


def _blinded(net: Any, blind: list[int]) -> torch.nn.Module:
    """A network that cannot see the channels it was never shown."""
    with torch.no_grad():
        net.stem[0][0].weight[:, blind] = 0.0
    return net  # type: ignore[no-any-return]


def computes_in_16_bits(device: torch.device) -> bool:
    """Whether convolutions are faster in bfloat16: on GPUs, and on processors with instructions for it."""
    return device.type == "cuda" or bool(torch.ops.mkldnn._is_mkldnn_bf16_supported())


def moving_average(averaged: Any, current: Any, count: Any) -> None:
    """Exponential moving average that forgets its first, untrained weights fast."""
    keep = min(0.999, (1 + int(count)) / (10 + int(count)))
    for old, new in zip(averaged, current, strict=True):
        if old.is_floating_point():
            old.lerp_(new, 1 - keep)
        else:
            old.copy_(new)


def rate_of(step: int, steps: int) -> float:
    """Share of the peak rate at a step: a short rise, then half a cosine down to a hundredth."""
    warm = max(1, min(500, steps // 10))
    if step < warm:
        return (step + 1) / warm
    return 0.5 * (1 + math.cos(math.pi * (step - warm) / max(1, steps - warm))) * 0.99 + 0.01


def main() -> None:
    """Command line of a training run."""
    parser = argparse.ArgumentParser(description="Train the sign reader on rendered pages.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True, help="folder for shards, checkpoint and model")
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--pages", type=Path, help="folder of render_pages, instead of drawing")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--limit-s", type=float, default=0.0, help="seconds to train; 0 = no limit")
    parser.add_argument("--from", dest="weights", type=Path, help="weights (.pt) to start from")
    options = parser.parse_args()
    config = load_config(options.config)
    if options.pages:
        config = replace(config, **pages_drawn(options.pages, STRIPS))
        strips = options.pages / STRIPS
        print(train(config, options.work, strips, limit_s=options.limit_s, weights=options.weights))
        return
    strips = options.work / STRIPS
    for split, pages in (("held-out", config.held_out_pages), ("train", config.train_pages)):
        pool = Pool(config.seed, config.kinds, ageing=config.ageing)
        render_shards({strips: STRIPS_VIEW}, pool, split, pages, options.jobs)
    if not options.render_only:
        print(train(config, options.work, limit_s=options.limit_s, weights=options.weights))


if __name__ == "__main__":
    main()
