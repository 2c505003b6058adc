"""INT8: static quantisation of a finished model, measured against the original.

    python -m neumary_training.quantise MODEL.onnx --name NAME --out DIR

Calibrated on rendered pages of the held-out split. The first and the last convolution stay
in floats: they see colours and write scores.
Weights take 7 bits, so that processors without VNNI do not overflow (ONNX Runtime,
"Quantize ONNX models", on U8S8 and reduce_range). Writes a model folder, and prints size, time
as a ratio within one run, and how far the readings agree.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from neumary.glyphs import Calibration, choose, find_candidates
from neumary.leaf_map import picture_of
from neumary.read import network_input
from neumary.staffless_look import padded
from neumary.strips import line_rows
from neumary.types import F32
from neumary_models import leaf_outputs, zoo
from neumary_synth.render import render_page
from neumary_training.data import ink_of, strips_of
from neumary_training.export import registry_entry
from neumary_training.shards import page_seed
from neumary_training.staffless_data import free_page_of

_PAGES: Final = 6  # for calibration, and as many others for the comparison
_FLOAT_AT_EACH_END: Final = 1  # convolutions left alone at the input and at the output


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


def _leaf_inputs(split: str, pages: int) -> Iterator[npt.NDArray[np.float32]]:
    kinds = ("square", "songbook", "pointed", "one-line", "layered", "staffless")
    for index in range(pages):
        seed = page_seed(2, split, index)
        rendered = render_page(seed, kinds[index % len(kinds)])
        space = float(rendered.page.provenance.settings["space_px"])
        ink = ink_of(rendered.rgb, space)
        yield picture_of(ink.flat, space * ink.scale)[0]


def _free_inputs(split: str, pages: int) -> Iterator[npt.NDArray[np.float32]]:
    for index in range(pages):
        seed = page_seed(3, split, index)
        rendered = render_page(seed, ("staffless", "layered", "staffless")[index % 3], space_px=22.0)
        page = free_page_of(rendered, np.random.default_rng(seed), jitter=1.0)
        yield padded(255 - page.picture)


def fold_norms(model: Path, target: Path) -> None:
    """Take norms that follow the sum of two convolutions into both: exact, and only then quantised.

    Networks trained before the norms stood in front of the sum have such; the others pass unchanged.
    """
    import onnx
    from onnx import numpy_helper

    whole = onnx.load(model)
    graph = whole.graph
    constants = {one.name: one for one in graph.initializer}
    made_by = {name: node for node in graph.node for name in node.output}
    for norm in [node for node in graph.node if node.op_type == "BatchNormalization"]:
        slope, shift, mean, spread = (numpy_helper.to_array(constants[name]) for name in norm.input[1:])
        epsilon = next(one.f for one in norm.attribute if one.name == "epsilon")
        scale = slope / np.sqrt(spread + epsilon)
        added = made_by[norm.input[0]]
        if added.op_type != "Add":
            continue
        for k, name in enumerate(added.input):
            node = made_by[name]
            while node.op_type == "Resize":
                node = made_by[node.input[0]]
            weights = constants[node.input[1]]
            scaled = numpy_helper.to_array(weights) * scale[:, None, None, None]
            weights.CopyFrom(numpy_helper.from_array(scaled.astype(np.float32), node.input[1]))
            if k == 1:
                bias = numpy_helper.from_array((shift - mean * scale).astype(np.float32), f"{node.name}.bias")
                graph.initializer.append(bias)
                node.input.append(bias.name)
        for node in graph.node:
            for place, name in enumerate(node.input):
                if name == norm.output[0]:
                    node.input[place] = added.output[0]
        graph.node.remove(norm)
    onnx.checker.check_model(whole)
    onnx.save(whole, target)


INPUTS: Final[dict[str, Callable[[str, int], Iterator[npt.NDArray[np.float32]]]]] = {
    zoo.SIGNS: _inputs,
    "leaf": _leaf_inputs,
    "staffless": _free_inputs,
}


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
            self.rows = INPUTS[entry.role]("held-out", _PAGES)

        def get_next(self) -> dict[str, Any] | None:
            row = next(self.rows, None)
            return None if row is None else {given: row}

    entry = zoo.find_file(model)
    out.mkdir(parents=True, exist_ok=True)
    small = out / f"{name}.onnx"
    folded = out / "folded.onnx"
    fold_norms(model, folded)
    graph = onnx.load(folded).graph
    convolutions = [node.name for node in graph.node if node.op_type == "Conv"]
    given = graph.input[0].name
    quantize_static(
        str(folded),
        str(small),
        Reader(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        reduce_range=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
        nodes_to_exclude=convolutions[:_FLOAT_AT_EACH_END] + convolutions[-_FLOAT_AT_EACH_END:],
    )
    folded.unlink()
    figures = _compare(model, small, entry.role)
    (out / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    digest = hashlib.sha256(small.read_bytes()).hexdigest()
    about = f"{entry.about}; 8-bit weights"
    row = registry_entry(name, about, digest, entry.calibration, entry.labels, entry.role)
    (out / "registry.toml").write_text(row, encoding="utf-8")
    return figures


def _compare(model: Path, small: Path, role: str) -> dict[str, Any]:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    sessions = [
        onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        for path in (model, small)
    ]
    given = sessions[0].get_inputs()[0].name
    seconds, same, things = [0.0, 0.0], 0, 0
    for picture in INPUTS[role]("test", _PAGES):
        scores = []
        for k, session in enumerate(sessions):
            began = time.perf_counter()
            scores.append(session.run(None, {given: picture})[0][0])
            seconds[k] += time.perf_counter() - began
        one, other = scores
        alike, either = _signs_alike(one, other) if role == zoo.SIGNS else _cells_alike(one, other, role)
        same, things = same + alike, things + either
    return {
        "bytes": model.stat().st_size,
        "bytes_int8": small.stat().st_size,
        "time_ratio": seconds[1] / seconds[0],
        "agreement": same / max(1, things),
        "compared": things,
    }


def _signs_alike(one: F32, other: F32) -> tuple[int, int]:
    """Signs of the first that the second reads alike: place within half a space, label, step."""
    ours, theirs = (choose(find_candidates(x, Calibration()), 0.5) for x in (one, other))
    spots = {(round(c.row / 8), round(c.col / 8), c.label, c.steps[0][0]) for c in theirs}
    near = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
    same = sum(
        any((round(c.row / 8) + i, round(c.col / 8) + j, c.label, c.steps[0][0]) in spots for i, j in near)
        for c in ours
    )
    return same, len(ours)


def _cells_alike(one: F32, other: F32, role: str) -> tuple[int, int]:
    """Cells on which both networks see a staff (or a sign), of those on which either does."""
    ours, theirs = (
        x[leaf_outputs.ZONE].argmax(axis=0) > 0 if role == "leaf" else x[0] > 0 for x in (one, other)
    )
    return int((ours & theirs).sum()), int((ours | theirs).sum())


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
