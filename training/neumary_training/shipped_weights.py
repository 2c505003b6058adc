"""From a shipped model back to weights that training can go on from.

    python -m neumary_training.shipped_weights NAME --out WEIGHTS.pt

Shipped models have their norms folded into the convolutions, and their weights stored in 8 or 16 bits. Here
they become a `MapNet` again: each convolution gets its weights as floats, and the norm behind it the mean and
the spread that rendered held-out pages show at its place, so that the network says the same in training as in
use. What the fewer bits lost stays lost; a few hundred steps of training make it up.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor, nn

from neumary_models import zoo
from neumary_models.network import MapNet
from neumary_training.quantise import INPUTS

_PAGES: Final = 12  # that the norms are set on
_Arrays = dict[str, npt.NDArray[np.float32]]


def module_of(node: str) -> str:
    """Path of the module a node was exported from: "/stem/stem.0/stem.0.0/Conv" is "stem.0.0"."""
    parts: list[str] = []
    for part in node.strip("/").split("/")[:-1]:
        if parts and part.startswith(f"{parts[-1]}."):
            parts[-1] = part
        else:
            parts.append(part)
    return ".".join(parts)


def convolutions(model: Path) -> dict[str, tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]]:
    """Weights and biases of a model's convolutions as floats, by the modules' paths.

    Parameters
    ----------
    model : Path
        ONNX file written by `neumary_training.export` or `neumary_training.quantise`.

    Raises
    ------
    ValueError
        If a convolution has no bias, so that its norm was not folded into it.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(model).graph
    constants = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    made_by = {name: node for node in graph.node for name in node.output}

    def floats(name: str) -> npt.NDArray[np.float32]:
        if name in constants:
            return constants[name].astype(np.float32)
        node = made_by[name]
        if node.op_type == "Cast":
            return floats(node.input[0])
        whole, scale, zero = (constants[part] for part in node.input)  # DequantizeLinear, by channel
        over = (-1,) + (1,) * (whole.ndim - 1) if scale.ndim else ()
        steps = whole.astype(np.float32) - np.reshape(zero.astype(np.float32), over)
        return np.asarray(steps * np.reshape(scale, over), dtype=np.float32)

    found = {}
    for node in graph.node:
        if node.op_type != "Conv":
            continue
        if len(node.input) < 3:
            raise ValueError(f"{model}: the convolution {node.name} has no bias; its norm was not folded in")
        found[module_of(node.name)] = (floats(node.input[1]), floats(node.input[2]))
    return found


def rebuilt(found: dict[str, tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]]) -> MapNet:
    """The network that convolutions were taken from; its norms only add their biases so far."""
    size = {path: weights.shape for path, (weights, _) in found.items()}
    places = ("stem.0.0", "at_quarter.0.0", "at_eighth.0.0", "at_sixteenth.0.0")
    a, b, c, d = (size[place][0] for place in places)
    blocks = [sum(path.startswith(f"at_{at}.") and path.endswith(".one.0") for path in size) for at in _DEEP]
    net = MapNet(
        channels_in=size["stem.0.0"][1],
        channels_out=size["head"][0],
        widths=(a, b, c, d),
        rare=slice(0, 0),
        blocks=(blocks[0], blocks[1], blocks[2]),
        tail=(size["up_half.deep.0"][0], size["half_out.0.0"][0]),
    )
    modules = dict(net.named_modules())
    with torch.no_grad():
        for path, (weights, bias) in found.items():
            convolution = modules[path]
            assert isinstance(convolution, nn.Conv2d)
            convolution.weight.copy_(torch.from_numpy(weights))
            holder = modules[norm_behind(path)] if convolution.bias is None else convolution
            if isinstance(holder, nn.BatchNorm2d):
                assert holder.running_var is not None
                holder.running_var.fill_(1.0 - holder.eps)
            assert isinstance(holder.bias, Tensor)
            holder.bias.copy_(torch.from_numpy(bias))
    return net.eval()


_DEEP: Final = ("quarter", "eighth", "sixteenth")


def norm_behind(path: str) -> str:
    """Path of the norm that follows a convolution: the next in its sequence."""
    before, _, number = path.rpartition(".")
    return f"{before}.{int(number) + 1}"


@torch.no_grad()
def settle_norms(net: nn.Module, pictures: Iterable[Tensor]) -> None:
    """Give every norm the mean and variance its input has; what the network says stays the same.

    Parameters
    ----------
    net : Module
        Changed in place.
    pictures : iterable of Tensor float32 (N, channels, H, W)
        As in use.
    """
    norms = [module for module in net.modules() if isinstance(module, nn.BatchNorm2d)]
    sums: dict[int, list[Tensor]] = {}

    def add(module: nn.Module, given: Any, _: Any) -> None:
        x = given[0].double().transpose(0, 1).flatten(1)
        own = [torch.tensor(float(x.shape[1])), x.sum(1), (x * x).sum(1)]
        sums[id(module)] = (
            [a + b for a, b in zip(sums[id(module)], own, strict=True)] if id(module) in sums else own
        )

    hooks = [norm.register_forward_hook(add) for norm in norms]
    net.eval()
    for picture in pictures:
        net(picture)
    for hook in hooks:
        hook.remove()
    for norm in norms:
        count, total, squares = sums[id(norm)]
        mean = total / count
        spread = (squares / count - mean**2).clamp(min=1e-4)
        old_mean, old_var = norm.running_mean, norm.running_var
        assert old_mean is not None and old_var is not None
        slope = norm.weight / torch.sqrt(old_var + norm.eps)
        shift = norm.bias - slope * old_mean
        norm.weight.copy_((slope * torch.sqrt(spread + norm.eps)).float())
        norm.bias.copy_((shift + slope * mean).float())
        old_mean.copy_(mean.float())
        old_var.copy_(spread.float())


def restore(name: str) -> MapNet:
    """A registered model as a network that training can go on from.

    Parameters
    ----------
    name : str
        As `neumary models` lists it, companions too.
    """
    entry = zoo.find(name)
    net = rebuilt(convolutions(entry.path))
    settle_norms(net, (torch.from_numpy(x) for x in INPUTS[entry.role]("held-out", _PAGES)))
    return net


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Write a shipped model as weights to go on from.")
    parser.add_argument("name", help="strip-float, leaf or staffless")
    parser.add_argument("--out", type=Path, required=True, help="a .pt file for --from")
    options = parser.parse_args()
    options.out.parent.mkdir(parents=True, exist_ok=True)
    torch.save(restore(options.name).state_dict(), options.out)
    print(options.out)


if __name__ == "__main__":
    main()
