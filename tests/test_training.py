"""Training: targets drawn where the signs are, losses that fall, runs that repeat."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import torch

from neumary.glyphs import cell_step
from neumary.strips import STRIP_HEIGHT
from neumary_models.labels import NAMES
from neumary_models.network import StripNet
from neumary_models.outputs import CHANNELS_IN, CHANNELS_OUT, STEP_SHIFTS, STRIDE
from neumary_training.config import TrainConfig, load_config
from neumary_training.data import Strips, join, page_seed, render_strips, strips_of
from neumary_training.export import export_onnx, parity
from neumary_training.targets import Cropper, shake_colours
from neumary_training.train import losses
from neumary_synth.render import render_page


def strips_with(signs: list[tuple[float, float, str, int, float]], width: int = 128) -> Strips:
    pixels = np.full((width, STRIP_HEIGHT, 4), 255, np.uint8)
    pixels[..., 3] = 0
    for row, col, *_ in signs:
        pixels[int(col) - 4 : int(col) + 4, int(row) - 5 : int(row) + 5] = (20, 20, 20, 230)
    table = [(0, row, col, NAMES.index(label), step, starts) for row, col, label, step, starts in signs]
    return Strips(
        pixels=pixels,
        layers=np.zeros((width // STRIDE, STRIP_HEIGHT // STRIDE), np.uint8),
        starts=np.array([0, width], np.int64),
        n_lines=np.array([4], np.int64),
        signs=np.array(table, np.float32).reshape(-1, 6),
    )


def one_batch(strips: Strips, crop: int = 128):  #
    cropper = Cropper(strips, crop, 1.3, torch.device("cpu"))
    return cropper.at(np.array([0]), np.array([0]))


def test_targets_stand_on_the_signs() -> None:
    signs = [
        (120.0, 40.0, "punctum", 0, 1.0),
        (108.0, 80.0, "virga", 2, 0.0),
        (60.0, 110.0, "division", -99, 1.0),
    ]
    batch = one_batch(strips_with(signs))
    peaks = np.argwhere(batch.heat[0].numpy() >= 0.999)
    assert len(peaks) == 3
    for (row, col), (true_row, true_col, label, step, starts) in zip(
        peaks[peaks[:, 1].argsort()], signs, strict=True
    ):
        cell = (0, row, col)
        offset = batch.offset[0, :, row, col].numpy()
        assert (row + offset[0]) * STRIDE + 0.5 == pytest.approx(true_row, abs=1e-4)
        assert (col + offset[1]) * STRIDE + 0.5 == pytest.approx(true_col, abs=1e-4)
        assert NAMES[int(batch.label[cell])] == label
        if label == "division":
            assert batch.shift[cell] == -1 and batch.begins[cell] == -1
        else:
            assert STEP_SHIFTS[int(batch.shift[cell])] + cell_step(int(row)) == step
            assert float(batch.begins[cell]) == starts


def test_beyond_a_strips_end_there_is_bare_parchment() -> None:
    batch = one_batch(strips_with([(120.0, 40.0, "punctum", 0, 1.0)], width=64), crop=128)
    assert float(batch.strips[0, :4, :, 64:].abs().max()) == 0


def test_an_empty_strip_gives_finite_losses() -> None:
    parts = losses(torch.zeros(1, CHANNELS_OUT, STRIP_HEIGHT // 2, 64), one_batch(strips_with([])))
    assert all(torch.isfinite(value) for value in parts.values())


def test_a_small_network_learns_a_small_strip() -> None:
    torch.manual_seed(1)
    batch = one_batch(strips_with([(120.0, 40.0, "punctum", 0, 1.0), (104.0, 90.0, "virga", 2, 1.0)]))
    net = StripNet((8, 8, 8, 8))
    optimiser = torch.optim.AdamW(net.parameters(), lr=1e-2)
    history = []
    for _ in range(25):
        total = torch.stack(list(losses(net(batch.strips), batch).values())).sum()
        optimiser.zero_grad()
        total.backward()
        optimiser.step()
        history.append(float(total.detach()))
    assert history[-1] < 0.5 * history[0]


def test_shaking_colours_leaves_line_positions_and_bounds() -> None:
    strips = torch.rand(3, CHANNELS_IN, 64, 96)
    lines = strips[:, 4].clone()
    out = shake_colours(strips, torch.Generator().manual_seed(1))
    assert torch.equal(out[:, 4], lines)
    assert 0 <= float(out.min()) and float(out.max()) <= 1


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_onnx_runtime_and_pytorch_agree(tmp_path: Path) -> None:
    net = StripNet((8, 8, 8, 8)).eval()
    export_onnx(net, tmp_path / "net.onnx")
    assert parity(net, tmp_path / "net.onnx") < 1e-4


def test_rendered_truth_survives_the_way_into_strips() -> None:
    rendered = render_page(5, "square", space_px=16.0)
    strips = strips_of(rendered, np.random.default_rng(1))
    assert strips is not None
    assert len(strips.n_lines) == len(rendered.page.staves)
    heads = [reading for reading in rendered.page.readings if reading.label != "division"]
    assert len(heads) * 0.97 <= (strips.signs[:, 4] > -90).sum() <= len(heads)
    dark = strips.pixels[..., 3]
    columns = (strips.starts[strips.signs[:, 0].astype(int)] + strips.signs[:, 2]).astype(int)
    rows = strips.signs[:, 1].astype(int)
    near = [dark[c - 6 : c + 7, max(0, r - 6) : r + 7].max() for r, c in zip(rows, columns, strict=True)]
    assert np.mean(np.array(near) > 60) > 0.97


def test_shards_do_not_depend_on_the_number_of_workers(tmp_path: Path) -> None:
    for jobs in (1, 2):
        render_strips(tmp_path / str(jobs), 9, "test", 2, {"empty-staves": 1.0}, jobs, shard=1)
    for path in sorted((tmp_path / "1").iterdir()):
        with np.load(path) as a, np.load(tmp_path / "2" / path.name) as b:
            assert all(np.array_equal(a[name], b[name]) for name in a.files)


def test_joining_keeps_every_strip_and_sign() -> None:
    part = strips_with([(120.0, 40.0, "punctum", 0, 1.0)])
    both = join([part, part])
    assert both.starts.tolist() == [0, 128, 256]
    assert both.signs[:, 0].tolist() == [0, 1]


def test_splits_never_share_a_seed() -> None:
    seeds = {page_seed(1, split, i) for split in ("train", "held-out", "test") for i in range(1000)}
    assert len(seeds) == 3000


def test_an_unknown_setting_names_the_nearest(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("stepps = 3\n")
    with pytest.raises(ValueError, match="did you mean 'steps'"):
        load_config(tmp_path / "c.toml")
    (tmp_path / "d.toml").write_text("steps = 3\nwidths = [1, 2, 3, 4]\n")
    assert load_config(tmp_path / "d.toml") == TrainConfig(steps=3, widths=(1, 2, 3, 4))
