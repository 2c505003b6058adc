"""Fit the calibration of a finished reader of signs anew, and measure it, on held-out pages.

    python -m neumary_training.calibrate MODEL --pages DIR [--out FILE.json] [--as-registered]

MODEL is a registered name or an ONNX file, DIR a folder of `render_pages` or of a training run.
Half of its held-out strips fit the calibration, the other half give the figures. Prints the table
for ``registry.toml``; for a renderer that has changed since, or for weights in 8 bits.
With ``--as-registered`` nothing is fitted: all strips give figures, under the model's own calibration.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import torch
from torch import Tensor

from neumary.glyphs import Calibration
from neumary.models import load_model
from neumary_models import zoo
from neumary_training.config import TrainConfig
from neumary_training.data import load_strips
from neumary_training.evaluate import evaluate, evaluate_as_is
from neumary_training.shards import STRIPS
from neumary_training.targets import Cropper


class Finished(torch.nn.Module):
    """A model file in the place of a network in training."""

    def __init__(self, model: zoo.LoadedModel) -> None:
        super().__init__()
        self.model = model

    def forward(self, strips: Tensor) -> Tensor:
        """Scores of a batch, as `StripNet` gives them."""
        return torch.from_numpy(self.model.run(strips.contiguous().numpy()))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Fit and measure a reader's calibration on held-out pages.")
    parser.add_argument("model")
    parser.add_argument("--pages", type=Path, required=True, help="folder with held-out strips")
    parser.add_argument("--out", type=Path, help="figures, calibration and reliability as JSON")
    parser.add_argument("--as-registered", action="store_true", help="fit nothing, measure on all strips")
    options = parser.parse_args()
    usual = TrainConfig()
    strips = load_strips(options.pages / STRIPS, "held-out")
    cropper = Cropper(strips, usual.crop_cols, usual.heat_sigma_cells, torch.device("cpu"))
    model = load_model(options.model, threads=1)
    if options.as_registered:
        own = Calibration(**model.calibration)
        print("\n".join(f"{k}: {v}" for k, v in evaluate_as_is(Finished(model), cropper, own).items()))
        return
    metrics, calibration, curve = evaluate(Finished(model), cropper)
    if options.out:
        plain = json.dumps([metrics, calibration, curve], indent=1, default=float)
        options.out.write_text(plain + "\n", encoding="utf-8")
    for name, value in metrics.items():
        print(f"{name}: {value}")
    print("\n".join(f"{name} = {value}" for name, value in calibration.items()))


if __name__ == "__main__":
    main()
