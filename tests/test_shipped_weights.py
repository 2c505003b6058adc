"""Shipped models as networks that training can go on from: they say the same, in use and in training."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import nn

from neumary_models import zoo
from neumary_training.shipped_weights import convolutions, module_of, norm_behind, rebuilt, settle_norms

# Largest difference of scores that the storage may cause: 16 bits keep eleven significant ones; of 8 bits
# the activations are lost too, which PyTorch does not round.
_ROUNDING = {"strip-float": 1e-3, "leaf": 4.0, "staffless": 4.0}


@pytest.mark.parametrize(
    ("node", "path"),
    [
        ("/stem/stem.0/stem.0.0/Conv", "stem.0.0"),
        ("/at_quarter/at_quarter.2/one/one.0/Conv", "at_quarter.2.one.0"),
        ("/up_eighth/deep/deep.0/Conv", "up_eighth.deep.0"),
        ("/head/Conv", "head"),
    ],
)
def test_module_of_a_node(node: str, path: str) -> None:
    assert module_of(node) == path


def test_norm_behind_a_convolution() -> None:
    assert norm_behind("at_quarter.2.one.0") == "at_quarter.2.one.1"


@pytest.mark.parametrize("name", sorted(_ROUNDING))
def test_a_shipped_model_says_the_same_as_a_network(name: str) -> None:
    entry = zoo.find(name)
    net = rebuilt(convolutions(entry.path))
    channels = net.stem[0][0].weight.shape[1]
    rows = 176 if entry.role == zoo.SIGNS else 96
    picture = np.random.default_rng(3).random((1, channels, rows, 128), dtype=np.float32)
    theirs = zoo._start(entry, 1).run(picture)
    with torch.no_grad():
        ours = net(torch.from_numpy(picture)).numpy()
    assert ours.shape == theirs.shape
    assert np.abs(ours - theirs).max() < _ROUNDING[name]
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.99


def test_settled_norms_change_nothing_in_use_and_little_in_training() -> None:
    net = rebuilt(convolutions(zoo.find("strip-float").path))
    torch.manual_seed(0)
    pictures = torch.rand(4, 5, 176, 128)
    with torch.no_grad():
        before = net(pictures)
        unsettled = net.train()(pictures)
        net.eval()
        fresh = rebuilt(convolutions(zoo.find("strip-float").path))
        settle_norms(fresh, [pictures])
        after = fresh(pictures)
        training = fresh.train()(pictures)
    assert torch.allclose(before, after, atol=1e-2)
    assert (training - before).abs().max() < 0.05
    assert (unsettled - before).abs().max() > 1.0  # what settling is for
    assert all(m.track_running_stats for m in fresh.modules() if isinstance(m, nn.BatchNorm2d))
