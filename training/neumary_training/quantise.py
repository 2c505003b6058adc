"""INT8 tried: static quantisation of a finished model, measured against the original.

    python -m neumary_training.quantise MODEL.onnx --out DIR

Calibrated on rendered pages of the held-out split. Prints size, speed as a ratio within
one run, and how far the readings agree. Nothing is registered: the figures decide whether
a person does that.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from neumary.glyphs import Calibration, choose, find_candidates
from neumary.read import network_input
from neumary.strips import line_rows
from neumary_synth.render import render_page
from neumary_training.data import page_seed, strips_of

_PAGES = 6  # for calibration, and as many others for the comparison


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


def quantise(model: Path, out: Path) -> dict[str, Any]:
    """Write ``int8.onnx`` to `out` and compare it with the original.

    Returns
    -------
    dict
        Sizes in bytes; time of INT8 over time of the original (one thread, same run); share
        of signs both read alike (place within half a space, label and step).
    """
    import onnxruntime
    from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self.rows = _inputs("held-out", _PAGES)

        def get_next(self) -> dict[str, Any] | None:
            row = next(self.rows, None)
            return None if row is None else {"strip": row}

    out.mkdir(parents=True, exist_ok=True)
    small = out / "int8.onnx"
    quantize_static(
        str(model),
        str(small),
        Reader(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
    )
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
    parser = argparse.ArgumentParser(description="Try INT8 and print what it costs and gains.")
    parser.add_argument("model", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    print(json.dumps(quantise(options.model, options.out), indent=1))


if __name__ == "__main__":
    main()
