"""One model from the mean of several runs' weights.

    python -m neumary_training.average RUN/model RUN/model [...] --out DIR

Runs that went on from one another lie in one valley of the loss. The mean of their weights errs less than
each of them, and takes the time of one (M. Wortsman et al., "Model soups: averaging weights of multiple
fine-tuned models improves accuracy without increasing inference time", ICML 2022). DIR can be given to
`neumary_training.ship`; its calibration is the last run's: fit it anew (`neumary_training.calibrate`).
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from neumary_models import zoo
from neumary_training.export import registry_entry


def average(runs: Sequence[Path], name: str, out: Path) -> Path:
    """Write the mean of finished models.

    Parameters
    ----------
    runs : sequence of Path
        Model folders of finished runs, two or more, the last one's calibration kept.
    name : str
        "strip", "leaf" or "staffless".
    out : Path
        Folder for ``NAME.onnx`` and ``registry.toml``; made where it is missing.

    Returns
    -------
    Path
        The model written.

    Raises
    ------
    ValueError
        If there is only one run, or their networks differ.
    """
    import onnx
    from onnx import numpy_helper

    if len(runs) < 2:
        raise ValueError("a mean takes two runs at least")
    models = [onnx.load(run / f"{name}.onnx") for run in runs]
    tables = [{x.name: numpy_helper.to_array(x) for x in model.graph.initializer} for model in models]
    for run, table in zip(runs, tables, strict=True):
        shapes = {key: value.shape for key, value in table.items()}
        if shapes != {key: value.shape for key, value in tables[0].items()}:
            raise ValueError(f"{run}: its network is not that of {runs[0]}")
    for constant in models[-1].graph.initializer:
        own = tables[-1][constant.name]
        if own.dtype == np.float32:
            total = np.sum([table[constant.name] for table in tables], axis=0, dtype=np.float64)
            mean = np.asarray(total / len(tables), dtype=np.float32)
            constant.CopyFrom(numpy_helper.from_array(mean, constant.name))
    out.mkdir(parents=True, exist_ok=True)
    made = out / f"{name}.onnx"
    onnx.save(models[-1], made)
    last = zoo.find_file(runs[-1] / f"{name}.onnx")
    digest = hashlib.sha256(made.read_bytes()).hexdigest()
    entry = registry_entry(name, last.about, digest, last.calibration, last.labels, last.role)
    (out / "registry.toml").write_text(entry, encoding="utf-8")
    return made


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Average the weights of finished runs.")
    parser.add_argument("runs", type=Path, nargs="+", help="model folders of finished runs")
    parser.add_argument("--name", default="strip", choices=("strip", "leaf", "staffless"))
    parser.add_argument("--out", type=Path, required=True, help="folder for the model")
    options = parser.parse_args()
    print(average(options.runs, options.name, options.out))


if __name__ == "__main__":
    main()
