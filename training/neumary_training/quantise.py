"""INT8: static quantisation of a finished model, measured against the original.

    python -m neumary_training.quantise MODEL.onnx --name NAME --out DIR

Calibrated on rendered pages of the held-out split. The first and the last convolutions stay
in floats: they see colours and write scores, and quantising them cost a clef of a real leaf.
Weights take 7 bits, so that processors without VNNI do not overflow (ONNX Runtime,
"Quantize ONNX models", on U8S8 and reduce_range). Writes a model folder, and prints size, time
as a ratio within one run, and how far the readings agree.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from neumary.glyphs import Calibration, choose, find_candidates
from neumary.read import network_input
from neumary.strips import line_rows
from neumary_models import zoo
from neumary_synth.render import render_page
from neumary_training.data import page_seed, strips_of
from neumary_training.export import registry_entry

_PAGES: Final = 6  # for calibration, and as many others for the comparison
_FLOAT_AT_EACH_END: Final = 2  # convolutions left alone at the input and at the output


def _inputs(split: str, pages: int) -> Iterator[npt.NDArray[np.float32]]:
    for index in range(pages):
        seed = page_seed(1, split, index)
        strips = strips_of(render_page(seed, "square"), np.random.default_rng(seed))
        if strips is None:
            continue
        for i, bits in enumerate(strips.lines):
            view = strips.pixels[strips.starts[i] : strips.starts[i + 1]].transpose(1, 0, 2)
            rows = line_rows(k for k in range(8) if int(bits) >> k & 1)
            yield network_input(view[..., :3], view[..., 3], rows)[None]


def quantise(model: Path, name: str, out: Path) -> dict[str, Any]:
    """Write the model folder `out` and compare the new model with the original.

    Parameters
    ----------
    model : Path
        ONNX file; its ``registry.toml`` beside it, or a registered model's file.
    name : str
        Name of the new model.
    out : Path
        Gets ``NAME.onnx``, ``registry.toml`` and ``metrics.json``.

    Returns
    -------
    dict
        Sizes in bytes; time of INT8 over time of the original (one thread, same run); share
        of signs both read alike (place within half a space, label and step).
    """
    import onnx
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.rows = _inputs("held-out", _PAGES)

        def get_next(self) -> dict[str, Any] | None:
            row = next(self.rows, None)
            return None if row is None else {"strip": row}

    out.mkdir(parents=True, exist_ok=True)
    small = out / f"{name}.onnx"
    convolutions = [node.name for node in onnx.load(model).graph.node if node.op_type == "Conv"]
    quantize_static(
        str(model),
        str(small),
        Reader(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        reduce_range=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
        nodes_to_exclude=convolutions[:_FLOAT_AT_EACH_END] + convolutions[-_FLOAT_AT_EACH_END:],
    )
    figures = _compare(model, small)
    (out / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    digest = hashlib.sha256(small.read_bytes()).hexdigest()
    calibration = zoo.find_file(model).calibration
    about = "reads the signs of staves with 1 to 5 lines; trained on rendered pages only; 8-bit weights"
    (out / "registry.toml").write_text(registry_entry(name, about, digest, calibration), encoding="utf-8")
    return figures


def _compare(model: Path, small: Path) -> dict[str, Any]:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    sessions = [
        onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        for path in (model, small)
    ]
    seconds, same, signs = [0.0, 0.0], 0, 0
    for strip in _inputs("test", _PAGES):
        read = []
        for k, session in enumerate(sessions):
            began = time.perf_counter()
            scores = session.run(None, {"strip": strip})[0][0]
            seconds[k] += time.perf_counter() - began
            read.append(choose(find_candidates(scores, Calibration()), 0.5))
        spots = {(round(c.row / 8), round(c.col / 8), c.label, c.steps[0][0]) for c in read[1]}
        signs += len(read[0])
        same += sum(
            any(
                (round(c.row / 8) + i, round(c.col / 8) + j, c.label, c.steps[0][0]) in spots
                for i in (-1, 0, 1)
                for j in (-1, 0, 1)
            )
            for c in read[0]
        )
    return {
        "bytes": model.stat().st_size,
        "bytes_int8": small.stat().st_size,
        "time_ratio": seconds[1] / seconds[0],
        "agreement": same / max(1, signs),
        "signs": signs,
    }


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Quantise a model and print what it costs and gains.")
    parser.add_argument("model", type=Path)
    parser.add_argument("--name", default="strip")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    print(json.dumps(quantise(options.model, options.name, options.out), indent=1))


if __name__ == "__main__":
    main()
