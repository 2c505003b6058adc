"""From trained weights to a model folder: ONNX file, registry entry, card, metrics."""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import torch

from neumary_models.labels import NAMES
from neumary_models.outputs import CHANNELS_IN
from neumary_training.config import TrainConfig

_OPSET = 17
_SMALL_TENSOR = 64  # values; smaller ones stay as they are
_ABOUT = "reads the signs of staves with 1 to 5 lines; trained on rendered pages only"


def export_onnx(
    net: torch.nn.Module,
    path: Path,
    shape: tuple[int, int, int] = (CHANNELS_IN, 176, 512),
    name: str = "strip",
) -> None:
    """Write a network for ONNX Runtime; batch and width stay free, of pages the height too.

    Parameters
    ----------
    net : Module
    path : Path
    shape : tuple of int
        (channels, rows, columns) of an example.
    name : str
        Of the input; "strip" has a fixed height.
    """
    net.eval()
    heights = ({}, {}) if name == "strip" else ({2: "h"}, {2: "h2"})
    torch.onnx.export(
        net,
        (torch.zeros(1, *shape),),
        str(path),
        dynamo=False,
        opset_version=_OPSET,
        input_names=[name],
        output_names=["scores"],
        dynamic_axes={name: {0: "n", **heights[0], 3: "w"}, "scores": {0: "n", **heights[1], 3: "w2"}},
    )


def store_halves(model: Path, target: Path) -> None:
    """Write a float model with its weights stored in 16 bits; it still computes in 32.

    Halves the file; weights lose what lies beyond eleven significant bits.
    """
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    graph = onnx.load(model)
    casts = []
    for weights in graph.graph.initializer:
        values = numpy_helper.to_array(weights)
        if weights.data_type != TensorProto.FLOAT or values.size < _SMALL_TENSOR:
            continue
        name = weights.name
        weights.CopyFrom(numpy_helper.from_array(values.astype(np.float16), f"{name}.half"))
        casts.append(helper.make_node("Cast", [f"{name}.half"], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.graph.node]
    del graph.graph.node[:]
    graph.graph.node.extend(nodes)
    onnx.save(graph, target)


def parity(
    net: torch.nn.Module, path: Path, seed: int = 0, shape: tuple[int, int, int] = (CHANNELS_IN, 176, 320)
) -> float:
    """Largest difference between PyTorch's and ONNX Runtime's scores on random input."""
    import onnxruntime

    random = np.random.default_rng(seed).random((1, *shape), dtype=np.float32)
    with torch.no_grad():
        ours = net(torch.from_numpy(random)).numpy()
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    theirs = session.run(None, {session.get_inputs()[0].name: random})[0]
    return float(np.abs(ours - theirs).max())


def export_net(
    net: torch.nn.Module,
    config: dict[str, Any],
    metrics: dict[str, Any],
    folder: Path,
    *,
    about: str,
    shape: tuple[int, int, int],
    role: str,
    labels: tuple[str, ...] = (),
    calibration: dict[str, float] | None = None,
) -> None:
    """Write the model folder of a network over whole pages; the same files as `export_model`.

    Parameters
    ----------
    net : Module
    config : dict
        All settings; "name" is the model's.
    metrics : dict
        Held-out figures, for the card.
    folder : Path
    about : str
        One line for listings.
    shape : tuple of int
        (channels, rows, columns) of an example input.
    role : str
        See `neumary_models.zoo`.
    labels : tuple of str
        Label list the network was trained with, if any.
    calibration : dict of str to float, optional
    """
    name = str(config["name"])
    folder.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), folder / f"{name}.pt")
    path = folder / f"{name}.onnx"
    export_onnx(net, path, shape, "picture")
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    metrics = {**metrics, "onnx_parity": parity(net, path, shape=shape)}
    (folder / "metrics.json").write_text(
        json.dumps(metrics, indent=1, sort_keys=True) + "\n", encoding="utf-8"
    )
    entry = registry_entry(name, about, digest, calibration or {}, labels, role=role)
    (folder / "registry.toml").write_text(entry, encoding="utf-8")
    rows = "\n".join(f"| {key} | {value} |" for key, value in sorted(metrics.items()))
    count = sum(p.numel() for p in net.parameters())
    (folder / f"{name}.md").write_text(
        f"""# Model card: {name}

What it does: {about}. Its findings are drafts for a specialist to check.

| fact | value |
|---|---|
| architecture | `neumary_models.network.MapNet`, widths {list(config["widths"])}, {count} parameters |
| data | {config["train_pages"]} pages rendered by `neumary_synth`, each its own hands; no photographed leaf |
| held out | {config["held_out_pages"]} pages of other hands |
| settings | `{json.dumps(config, sort_keys=True)}` |
| seed | {config["seed"]} |
| code | commit {code_version()} (the tree may hold changes on top) |
| trained with | torch {torch.__version__} |
| sha256 | {digest} |
| licence | that of the project |

## Held-out rendered hands

| measure | value |
|---|---|
{rows}
""",
        encoding="utf-8",
    )


def code_version() -> str:
    """Commit of the working tree, or "unknown" outside a repository."""
    try:
        done = subprocess.run(
            ["git", "rev-parse", "--short=12", "HEAD"], capture_output=True, text=True, check=True, timeout=10
        )
    except (OSError, subprocess.SubprocessError):
        return "unknown"
    return done.stdout.strip()


def export_model(
    net: torch.nn.Module,
    config: TrainConfig,
    calibration: dict[str, float],
    metrics: dict[str, Any],
    folder: Path,
) -> None:
    """Write `folder`: ``NAME.onnx``, ``NAME.pt``, ``registry.toml``, ``NAME.md``, ``metrics.json``."""
    folder.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), folder / f"{config.name}.pt")
    onnx_path = folder / f"{config.name}.onnx"
    export_onnx(net, onnx_path)
    digest = hashlib.sha256(onnx_path.read_bytes()).hexdigest()
    metrics = {**metrics, "onnx_parity": parity(net, onnx_path)}
    (folder / "metrics.json").write_text(
        json.dumps(metrics, indent=1, sort_keys=True) + "\n", encoding="utf-8"
    )
    (folder / "config.toml").write_text(_as_toml(config), encoding="utf-8")
    (folder / "registry.toml").write_text(
        registry_entry(config.name, _ABOUT, digest, calibration), encoding="utf-8"
    )
    count = sum(p.numel() for p in net.parameters())
    (folder / f"{config.name}.md").write_text(
        _card(config, digest, calibration, metrics, count), encoding="utf-8"
    )


def _as_toml(config: TrainConfig) -> str:
    plain = {key: value for key, value in config.as_dict().items() if value is not None}
    kinds = plain.pop("kinds", {})
    lines = [f"{key} = {json.dumps(value)}" for key, value in plain.items()]
    return "\n".join([*lines, "", "[kinds]", *(f"{key} = {value}" for key, value in kinds.items())]) + "\n"


def registry_entry(
    name: str,
    about: str,
    digest: str,
    calibration: dict[str, float],
    labels: tuple[str, ...] = NAMES,
    role: str = "signs",
) -> str:
    """A model's entry for ``registry.toml``."""
    lines = [
        f"[{name}]",
        f"about = {json.dumps(about)}",
        f'file = "weights/{name}.onnx"',
        f'card = "cards/{name}.md"',
        f'sha256 = "{digest}"',
        f"labels = {json.dumps(list(labels))}",
        f"role = {json.dumps(role)}",
        "",
        f"[{name}.calibration]",
        *(f"{key} = {value!r}" for key, value in calibration.items()),
    ]
    return "\n".join(lines) + "\n"


def _card(
    config: TrainConfig, digest: str, calibration: dict[str, float], metrics: dict[str, Any], count: int
) -> str:
    rows = "\n".join(f"| {key} | {value} |" for key, value in sorted(metrics.items()))
    shape = f"widths {list(config.widths)}, blocks {list(config.blocks)}, tail {list(config.tail)}"
    return f"""# Model card: {config.name}

What it does: scores a straightened staff (see `neumary.strips`) for sign centres, labels,
meant steps, neume beginnings and ink layers. Draft readings for a specialist to check.

| fact | value |
|---|---|
| architecture | `neumary_models.network.StripNet`, {shape}, {count} parameters |
| data | {config.train_pages} pages rendered by `neumary_synth`, each its own hands; no photographed leaf |
| held out | {config.held_out_pages} pages of other hands; half fit the calibration, half give the figures |
| settings | `{json.dumps(config.as_dict(), sort_keys=True)}` |
| seed | {config.seed} |
| code | commit {code_version()} (the tree may hold changes on top) |
| trained with | torch {torch.__version__} |
| sha256 | {digest} |
| calibration | `{json.dumps(calibration, sort_keys=True)}` |
| licence | that of the project |

## Held-out rendered hands

| measure | value |
|---|---|
{rows}
"""
