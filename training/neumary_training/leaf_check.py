"""Finished runs on a real leaf, side by side: figures beside those on rendered pages.

    python -m neumary_training.leaf_check LEAF.jpg LEAF.truth.json MODEL.onnx [MODEL.onnx ...]

Real leaves are for testing only; nothing here feeds training.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from neumary.metrics import PageScore, score_page
from neumary.pipeline import read_page
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.truth import load_truth
from neumary_models import zoo


def check_leaf(leaf: Path, truth: Path, model: str) -> PageScore:
    """Score one model, a registered name or an ONNX file, on one leaf with truth."""
    (scan,) = read_scans(leaf)
    return score_page(read_page(scan, ReadSettings(), zoo.load(model)), load_truth(truth))


def main() -> None:
    """Print one row a model."""
    parser = argparse.ArgumentParser(description="Score models on a real leaf.")
    parser.add_argument("leaf", type=Path)
    parser.add_argument("truth", type=Path)
    parser.add_argument("models", nargs="+")
    options = parser.parse_args()
    print("| run | note F1 | missed | spurious | label (soft) | step | clef F1 | melody error |")
    print("|---|---|---|---|---|---|---|---|")
    for model in options.models:
        score = check_leaf(options.leaf, options.truth, model)
        rates = (score.label_soft.rate, score.step.rate, score.sign_f1("clef"), score.melody_error_rate)
        counts = f"{score.notes.f1:.3f} | {score.notes.missed} | {score.notes.spurious}"
        print(f"| {Path(model).stem} | {counts} | {' | '.join(f'{rate:.3f}' for rate in rates)} |")


if __name__ == "__main__":
    main()
