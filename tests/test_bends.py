"""Bent crops: signs stay on their ink, cells on theirs, and nothing moves that is not bent."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from neumary.strips import STRIP_HEIGHT
from neumary_models.labels import LAYERS, NAMES
from neumary_models.outputs import STRIDE
from neumary_training.bends import Bends
from neumary_training.data import Strips
from neumary_training.shakes import show_through
from neumary_training.targets import Cropper

WIDTH = 640
SPOTS = [(60, 40), (120, 200), (90, 330), (40, 470), (130, 600)]


def spotted() -> Cropper:
    """One strip with dark dots and a sign on each."""
    pixels = np.full((WIDTH, STRIP_HEIGHT, 4), 255, np.uint8)
    pixels[..., 3] = 0
    layers = np.zeros((WIDTH // STRIDE, STRIP_HEIGHT // STRIDE), np.uint8)
    for row, col in SPOTS:
        pixels[col - 3 : col + 4, row - 3 : row + 4] = (0, 0, 0, 255)
        layers[(col - 3) // STRIDE : (col + 5) // STRIDE, (row - 3) // STRIDE : (row + 5) // STRIDE] = 2
    signs = [(0, row, col, NAMES.index("punctum"), 0, 1.0) for row, col in SPOTS]
    strips = Strips(
        pixels=pixels,
        layers=layers,
        starts=np.array([0, WIDTH], np.int64),
        lines=np.array([0b1111], np.int64),
        signs=np.array(signs, np.float32),
    )
    return Cropper(strips, 384, 1.3, torch.device("cpu"))


def bent(stretch: float, slant: float, lift: float, tilt: float) -> Bends:
    return Bends(*(np.array([value]) for value in (stretch, slant, lift, tilt)))


@pytest.mark.parametrize(
    "bends",
    [
        bent(1.14, 0.0, 0.0, 0.0),
        bent(0.88, 0.0, 0.0, 0.0),
        bent(1.0, 0.07, 0.0, 0.0),
        bent(1.0, -0.07, 0.9, 0.0),
        bent(1.1, 0.06, -0.8, 0.005),
    ],
)
@pytest.mark.parametrize("lead", [0, 120, 256])
def test_signs_stay_on_their_ink(bends: Bends, lead: int) -> None:
    batch = spotted().at(np.array([0]), np.array([lead]), bends)
    peaks = np.argwhere(batch.heat[0].numpy() >= 0.999)
    assert len(peaks) >= 2
    ink = batch.strips[0, 3].numpy()
    rows, cols = np.indices(ink.shape)
    for row, col in peaks:
        offset = batch.offset[0, :, row, col].numpy()
        at = (row + offset[0]) * STRIDE + 0.5, (col + offset[1]) * STRIDE + 0.5
        if not 8 <= at[1] < ink.shape[1] - 8:
            continue
        near = ink * (np.hypot(rows - at[0], cols - at[1]) < 9)
        found = (near * rows).sum() / near.sum(), (near * cols).sum() / near.sum()
        assert found == pytest.approx(at, abs=0.15)
        assert int(batch.layer[0, row, col]) == 2


def test_an_unbent_crop_is_the_crop() -> None:
    cropper = spotted()
    plain, same = (cropper.at(np.array([0]), np.array([64]), b) for b in (None, bent(1.0, 0.0, 0.0, 0.0)))
    assert torch.allclose(plain.strips, same.strips, atol=1e-4)
    assert torch.equal(plain.layer, same.layer) and torch.equal(plain.heat, same.heat)


def test_the_same_seed_bends_the_same_way() -> None:
    one, two = (spotted().crops(np.random.default_rng(4), 6, 0.2, 0.13, 0.06) for _ in range(2))
    assert torch.equal(one.strips, two.strips) and torch.equal(one.heat, two.heat)


def test_crops_are_laid_at_both_ends_of_strips() -> None:
    batch = spotted().crops(np.random.default_rng(1), 200, ends=0.25)
    first = batch.heat[:, SPOTS[0][0] // STRIDE, SPOTS[0][1] // STRIDE] >= 0.5
    from_end = SPOTS[-1][1] - (WIDTH - 384)
    last = batch.heat[:, SPOTS[-1][0] // STRIDE, from_end // STRIDE] >= 0.5
    assert 0.15 < float(first.float().mean()) < 0.4
    assert 0.15 < float(last.float().mean()) < 0.4


def test_what_shows_through_is_paler_and_named() -> None:
    batch = spotted().at(np.zeros(40, int), np.arange(40) * 2)
    before, layer = batch.strips.clone(), batch.layer.clone()
    show_through(batch.strips, batch.layer, torch.Generator().manual_seed(2))
    gain = (batch.strips - before)[:, :4]
    assert 0 < float(gain.max()) < 0.5 and float(gain.min()) >= 0
    changed = layer != batch.layer
    assert changed.any() and (batch.layer[changed] == LAYERS.index("bleed")).all()
    assert (layer[changed] == LAYERS.index("parchment")).all()
