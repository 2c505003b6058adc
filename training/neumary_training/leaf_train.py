"""Train the finder of staves.

    python -m neumary_training.leaf_train CONFIG.toml --work DIR [--jobs N] [--render-only]

Renders the pages (kept in DIR as shards with hashes), trains on a GPU when there is one and on
the CPU otherwise, and writes weights, registry entry, card and metrics to DIR/model.
Interrupted, the same command goes on from its checkpoint.
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

from neumary_models.leaf_outputs import (
    CHANNELS_IN,
    CHANNELS_OUT,
    DOWN,
    LINE,
    REACH_SCALE,
    REGION,
    REGIONS,
    SPACE,
    UP,
    ZONE,
    ZONES,
)
from neumary_models.network import MapNet
from neumary_training.export import export_net
from neumary_training.leaf_crops import Crops, LeafCropper
from neumary_training.leaf_data import LEAVES_VIEW, load_leaves
from neumary_training.shards import LEAVES, Pool, data_hash, pages_drawn, render_shards
from neumary_training.train import computes_in_16_bits, moving_average, rate_of

_RARE_REGION: Final = 4.0  # what a region's own cells count for more, signs covering little
_LINE_SIGMA: Final = 0.6  # cells
_FEW_ZONE: Final = ZONES.index("few-lines")
_FEW_MORE: Final = 1.0  # what the space beside few lines counts for more, which little tells
_GUTTER_CELLS: Final = 6  # half the width of the widest gutter: two spaces
_GUTTER_MORE: Final = 3.0  # what cells between two staves side by side count for more
_BARE_MORE: Final = 1.5  # what a crop without any staff counts for more
_CHECK_EVERY: Final = 500
_CHECK_BATCHES: Final = 6
_ABOUT: Final = "finds staves, their outer lines and text on whole pages; trained on rendered pages only"


@dataclass(frozen=True, slots=True)
class LeafConfig:
    """Every knob of a run; see ``configs/leaf.toml``. An unknown key in the file is an error."""

    name: str = "leaf"
    seed: int = 2
    train_pages: int = 2400
    held_out_pages: int = 120
    kinds: dict[str, float] | None = None
    widths: tuple[int, int, int, int] = (16, 32, 64, 96)
    crop: int = 384
    batch: int = 48
    steps: int = 5000
    peak_rate: float = 2e-3
    weight_decay: float = 1e-2

    @classmethod
    def load(cls, path: Path) -> LeafConfig:
        """Read a configuration.

        Raises
        ------
        ValueError
            For an unknown key.
        """
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        unknown = sorted(set(table) - {f.name for f in fields(cls)})
        if unknown:
            raise ValueError(f"{path}: unknown setting '{unknown[0]}'")
        if "widths" in table:
            table["widths"] = tuple(table["widths"])
        return cls(**table)


def shaken(pictures: Tensor, generator: torch.Generator) -> Tensor:
    """Colour, contrast, blur and noise as other cameras, inks and parchments would give.

    Parameters
    ----------
    pictures : Tensor float32 (B, 3, H, W)
        Ink strengths 0..1.
    generator : torch.Generator
    """
    device, count = pictures.device, pictures.shape[0]

    def uniform(low: float, high: float, *shape: int) -> Tensor:
        return low + (high - low) * torch.rand(*shape, device=device, generator=generator)

    mix = torch.eye(3, device=device) + uniform(-0.12, 0.12, count, 3, 3)
    out = torch.einsum("bij,bjhw->bihw", mix, pictures)
    weights = uniform(0.1, 1.0, count, 3, 1, 1)
    grey = (out * weights / weights.sum(1, keepdim=True)).sum(1, keepdim=True)
    bleach = (uniform(0, 1, count, 1, 1, 1) < 0.12).float()
    out = (out * (1 - bleach) + grey * bleach).clamp(0, 1)
    out = out ** torch.exp(uniform(-0.35, 0.35, count, 1, 1, 1)) * uniform(0.6, 1.25, count, 1, 1, 1)
    coarse = uniform(-0.06, 0.06, count, 1, 8, 8)
    out = out + functional.interpolate(coarse, size=pictures.shape[2:], mode="bicubic")
    blurred = functional.avg_pool2d(out, 3, 1, 1)
    soft = uniform(0, 0.7, count, 1, 1, 1) * (uniform(0, 1, count, 1, 1, 1) < 0.3).float()
    out = out * (1 - soft) + blurred * soft
    noise = torch.randn(out.shape, device=device, generator=generator)
    return (out + noise * uniform(0, 0.04, count, 1, 1, 1)).clamp(0, 1)


def losses(scores: Tensor, crops: Crops) -> dict[str, Tensor]:
    """All parts of the loss for one batch."""
    scores = scores.float()
    on = crops.zone > 0
    total = on.sum().clamp(min=1)
    zone = (
        functional.cross_entropy(scores[:, ZONE], crops.zone, reduction="none") * _weights(crops.zone)
    ).mean()
    want = torch.exp(-(crops.line**2) / (2 * _LINE_SIGMA**2))
    line = functional.binary_cross_entropy_with_logits(scores[:, LINE][:, 0], want)

    def away(part: slice, target: Tensor) -> Tensor:
        miss = functional.smooth_l1_loss(
            scores[:, part][:, 0] * REACH_SCALE, target, beta=0.5, reduction="none"
        )
        return (miss * on).sum() / total

    few = (crops.zone == _FEW_ZONE).float()
    space = (scores[:, SPACE][:, 0] - crops.space).abs() * (1 + _FEW_MORE * few)
    rare = torch.full((len(REGIONS), 1, 1), _RARE_REGION, device=scores.device)
    region = functional.binary_cross_entropy_with_logits(scores[:, REGION], crops.region, pos_weight=rare)
    return {
        "zone": 2.0 * zone,
        "line": 2.0 * line,
        "up": 0.3 * away(UP, crops.up),
        "down": 0.3 * away(DOWN, crops.down),
        "space": 0.7 * (space * on).sum() / total,
        "region": 2.0 * region,
    }


def _weights(zone: Tensor) -> Tensor:
    """What the zone of each cell counts for: more in gutters, on crops without staves, on few lines."""
    on = (zone > 0).float()[:, None]
    window, pad = (1, 2 * _GUTTER_CELLS + 1), (0, _GUTTER_CELLS)
    reached = functional.max_pool2d(on, window, 1, pad)
    closed = -functional.max_pool2d(-reached, window, 1, pad)
    gutter = (closed - on).clamp(0, 1)[:, 0]
    bare = (on.sum((1, 2, 3)) == 0).float()[:, None, None]
    return 1 + _GUTTER_MORE * gutter + _BARE_MORE * bare + _FEW_MORE / 2 * (zone == _FEW_ZONE)


class LeafRun:
    """One training run: everything that changes from step to step, so that it can be resumed."""

    def __init__(self, config: LeafConfig, work: Path, weights: Path | None = None) -> None:
        self.config, self.work = config, work
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        torch.manual_seed(config.seed)
        self.rng = np.random.default_rng([config.seed, 1])
        self.generator = torch.Generator(device=self.device)
        self.generator.manual_seed(config.seed)
        self.net = leaf_net(config.widths).to(self.device)
        if weights is not None:
            self.net.load_state_dict(torch.load(weights, map_location=self.device, weights_only=True))
        self.optimiser = torch.optim.AdamW(
            self.net.parameters(), lr=config.peak_rate, weight_decay=config.weight_decay
        )
        self.average = torch.optim.swa_utils.AveragedModel(
            self.net, multi_avg_fn=moving_average, use_buffers=True
        )
        self.step = 0
        self.due = 0  # the step that a time limit would have us be at
        self.history: list[dict[str, float]] = []
        self._resume()

    def advance(self, cropper: LeafCropper) -> dict[str, Tensor]:
        """One optimiser step."""
        done = max(self.step, self.due)
        for group in self.optimiser.param_groups:
            group["lr"] = self.config.peak_rate * rate_of(done, self.config.steps)
        crops = cropper.crops(self.rng, self.config.batch)
        picture = shaken(crops.picture, self.generator).contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=computes_in_16_bits(self.device)):
            scores = self.net(picture)
        parts = losses(scores, crops)
        self.optimiser.zero_grad(set_to_none=True)
        torch.stack(list(parts.values())).sum().backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        self.optimiser.step()
        self.average.update_parameters(self.net)
        self.step += 1
        return parts

    @torch.no_grad()
    def held_out(self, cropper: LeafCropper) -> dict[str, float]:
        """Measures of the averaged weights on fixed held-out crops."""
        rng = np.random.default_rng([self.config.seed, 2])
        net = self.average.module.eval()
        rows: list[dict[str, float]] = []
        for _ in range(_CHECK_BATCHES):
            crops = cropper.crops(rng, self.config.batch)
            scores = net(crops.picture).float()
            row = {name: float(value) for name, value in losses(scores, crops).items()}
            rows.append({"loss": sum(row.values()), **measures(scores, crops)})
        return {name: round(float(np.mean([row[name] for row in rows])), 4) for name in rows[0]}

    def save(self) -> None:
        """Write the checkpoint whole or not at all."""
        fresh = self.work / "checkpoint.part"
        state = {
            "net": self.net.state_dict(),
            "average": self.average.state_dict(),
            "optimiser": self.optimiser.state_dict(),
            "rng": json.dumps(self.rng.bit_generator.state),
            "generator": self.generator.get_state().cpu(),
            "config": json.dumps(asdict(self.config), sort_keys=True),
            "progress": json.dumps([self.step, self.history]),
        }
        torch.save(state, fresh)
        fresh.replace(self.work / "checkpoint.pt")

    def _resume(self) -> None:
        path = self.work / "checkpoint.pt"
        if not path.exists():
            return
        state = torch.load(path, map_location="cpu", weights_only=True)
        if state["config"] != json.dumps(asdict(self.config), sort_keys=True):
            raise SystemExit(f"{path} belongs to another configuration; move it away or use another --work")
        self.net.load_state_dict(state["net"])
        self.average.load_state_dict(state["average"])
        self.optimiser.load_state_dict(state["optimiser"])
        self.rng.bit_generator.state = json.loads(state["rng"])
        self.generator.set_state(state["generator"])
        self.step, self.history = json.loads(state["progress"])


def leaf_net(widths: tuple[int, int, int, int]) -> MapNet:
    """The leaf network, untrained."""
    return MapNet(CHANNELS_IN, CHANNELS_OUT, widths, LINE)


def measures(scores: Tensor, crops: Crops) -> dict[str, float]:
    """Cell by cell: share of zones right (intersection over union), and how far distances miss."""
    zone = scores[:, ZONE].argmax(1)
    out = {}
    for k, name in ((1, "staff"), (2, "few_lines")):
        both = ((zone == k) & (crops.zone == k)).sum()
        either = ((zone == k) | (crops.zone == k)).sum().clamp(min=1)
        out[f"iou_{name}"] = float(both / either)
    on = crops.zone > 0
    bare = ~on.any(2).any(1)
    out["false_on_bare"] = float((zone[bare] > 0).float().mean()) if bool(bare.any()) else 0.0
    for name, part, target in (("up", UP, crops.up), ("down", DOWN, crops.down)):
        miss = (scores[:, part][:, 0] * REACH_SCALE - target).abs()[on]
        out[f"{name}_cells"] = float(miss.mean()) if miss.numel() else 0.0
    miss = (scores[:, SPACE][:, 0] - crops.space).abs()[on]
    out["space_log"] = float(miss.mean()) if miss.numel() else 0.0
    for k, name in enumerate(REGIONS):
        found, true = scores[:, REGION][:, k] > 0, crops.region[:, k] > 0.5
        out[f"f1_{name}"] = float(2 * (found & true).sum() / (found.sum() + true.sum()).clamp(min=1))
    return out


def train(
    config: LeafConfig,
    work: Path,
    shards: Path | None = None,
    limit_s: float = 0.0,
    weights: Path | None = None,
) -> Path:
    """Train and export.

    Parameters
    ----------
    config : LeafConfig
    work : Path
        Folder for checkpoint, log and model.
    shards : Path, optional
        Folder of the rendered pages; default ``work / "leaves"``.
    limit_s : float
        As in `neumary_training.train.train`.
    weights : Path, optional
        A ``.pt`` file to start from rather than from chance.

    Returns
    -------
    Path
        Folder of the finished model.
    """
    work.mkdir(parents=True, exist_ok=True)
    shards = shards or work / LEAVES
    run = LeafRun(config, work, weights)
    pages = LeafCropper(load_leaves(shards, "train"), config.crop, run.device, vary=True)
    kept = LeafCropper(load_leaves(shards, "held-out"), config.crop, run.device)
    torch.backends.cudnn.benchmark = True  # all crops have one size
    began = time.monotonic()
    while max(run.step, run.due) < config.steps:
        if limit_s:
            run.due = int(config.steps * (time.monotonic() - began) / limit_s)
        parts = run.advance(pages)
        if run.step % 100 == 0:
            row = {name: round(float(value.detach()), 4) for name, value in parts.items()}
            run.history.append({"step": run.step, **row})
            print(f"step {run.step} {time.monotonic() - began:.0f}s {row}", flush=True)
        if run.step % _CHECK_EVERY == 0:
            print(f"step {run.step} held out: {run.held_out(kept)}", flush=True)
            run.save()
    metrics = {**run.held_out(kept), "steps_done": run.step, "data_sha256": data_hash(shards, "train")}
    folder = work / "model"
    net = run.average.module.cpu().float()
    plain: dict[str, Any] = asdict(config)
    export_net(net, plain, metrics, folder, about=_ABOUT, role="leaf", shape=(CHANNELS_IN, 192, 256))
    (folder / "history.json").write_text(json.dumps(run.history) + "\n", encoding="utf-8")
    print(json.dumps(metrics, indent=1), flush=True)
    return folder


def main() -> None:
    """Command line of a training run."""
    parser = argparse.ArgumentParser(description="Train the finder of staves on rendered pages.")
    parser.add_argument("config", type=Path)
    parser.add_argument("--work", type=Path, required=True, help="folder for shards, checkpoint and model")
    parser.add_argument("--jobs", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--pages", type=Path, help="folder of render_pages, instead of drawing")
    parser.add_argument("--render-only", action="store_true")
    parser.add_argument("--limit-s", type=float, default=0.0, help="seconds to train; 0 = no limit")
    parser.add_argument("--from", dest="weights", type=Path, help="weights (.pt) to start from")
    options = parser.parse_args()
    config = LeafConfig.load(options.config)
    if options.pages:
        config = replace(config, **pages_drawn(options.pages, LEAVES))
        shards = options.pages / LEAVES
        print(train(config, options.work, shards, options.limit_s, options.weights))
        return
    for split, pages in (("held-out", config.held_out_pages), ("train", config.train_pages)):
        pool = Pool(config.seed, config.kinds)
        render_shards({options.work / LEAVES: LEAVES_VIEW}, pool, split, pages, options.jobs)
    if not options.render_only:
        print(train(config, options.work, limit_s=options.limit_s, weights=options.weights))


if __name__ == "__main__":
    main()
