"""The mean of two runs' weights gives, for a network that is linear in them, the mean of what they say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import onnxruntime as ort
import pytest
from onnx import TensorProto, helper, numpy_helper

from neumary_models import zoo
from neumary_training.average import average
from neumary_training.export import registry_entry


def _run(folder: Path, weights: np.ndarray, heat: float) -> Path:
    """A finished run: one product with these weights."""
    folder.mkdir()
    kinds = [helper.make_tensor_value_info(x, TensorProto.FLOAT, [1, 3]) for x in ("x", "y")]
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["x", "w"], ["y"])], "one", kinds[:1], kinds[1:],
        [numpy_helper.from_array(weights.astype(np.float32), "w")],
    )  # fmt: skip
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.save(model, folder / "strip.onnx")
    entry = registry_entry("strip", "a test", "0" * 64, {"heat_slope": heat})
    (folder / "registry.toml").write_text(entry, encoding="utf-8")
    return folder


def _say(model: Path, x: np.ndarray) -> np.ndarray:
    session = ort.InferenceSession(model, providers=["CPUExecutionProvider"])
    return np.asarray(session.run(None, {"x": x})[0])


def test_a_mean_says_the_mean(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    runs = [_run(tmp_path / f"r{i}", rng.normal(size=(3, 3)), float(i)) for i in range(3)]
    made = average(runs, "strip", tmp_path / "mean")
    x = rng.normal(size=(1, 3)).astype(np.float32)
    each = [_say(run / "strip.onnx", x) for run in runs]
    assert np.allclose(_say(made, x), np.mean(each, axis=0), atol=1e-5)
    entry = zoo.find_file(made)
    assert entry.calibration == {"heat_slope": 2.0} and zoo.check(entry)


def test_other_networks_and_single_runs_are_refused(tmp_path: Path) -> None:
    one, other = _run(tmp_path / "a", np.eye(3), 1.0), _run(tmp_path / "b", np.ones((3, 1)), 1.0)
    with pytest.raises(ValueError, match="two runs"):
        average([one], "strip", tmp_path / "c")
    with pytest.raises(ValueError, match="is not that of"):
        average([one, other], "strip", tmp_path / "c")
    assert not (tmp_path / "c").exists()
