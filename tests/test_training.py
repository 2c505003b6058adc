"""Training: targets drawn where the signs are, losses that fall, runs that repeat."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from neumary.glyphs import cell_step
from neumary.strips import STRIP_HEIGHT
from neumary.types import Box, Staff, StaffLine
from neumary_models.labels import LAYERS, NAMES
from neumary_models.network import StripNet
from neumary_models.outputs import CHANNELS_IN, CHANNELS_OUT, STEP_SHIFTS, STRIDE
from neumary_synth.render import render_page
from neumary_training.compare import compare, settings_apart
from neumary_training.config import TrainConfig, load_config
from neumary_training.data import STRIPS_VIEW, Strips, join, shaken, strips_of
from neumary_training.evaluate import _level, reliability
from neumary_training.export import export_onnx, parity
from neumary_training.shakes import shake_colours
from neumary_training.shards import Pool, data_hash, page_seed, render_shards
from neumary_training.targets import Cropper
from neumary_training.train import Run, losses, train


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
        lines=np.array([0b1111], np.int64),
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


def test_a_sign_made_up_in_letters_costs_more_than_one_on_parchment() -> None:
    batch = one_batch(strips_with([]))
    scores = torch.zeros(1, CHANNELS_OUT, STRIP_HEIGHT // 2, 64)
    on_parchment = losses(scores, batch)["heat"]
    batch.layer.fill_(LAYERS.index("text"))
    assert losses(scores, batch)["heat"] == pytest.approx(1.5 * float(on_parchment))


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
    assert float(out.min()) >= 0 and float(out.max()) <= 1


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
    assert len(strips.lines) == len(rendered.page.staves)
    heads = [reading for reading in rendered.page.readings if reading.label != "division"]
    assert len(heads) * 0.97 <= (strips.signs[:, 4] > -90).sum() <= len(heads)
    dark = strips.pixels[..., 3]
    columns = (strips.starts[strips.signs[:, 0].astype(int)] + strips.signs[:, 2]).astype(int)
    rows = strips.signs[:, 1].astype(int)
    near = [dark[c - 6 : c + 7, max(0, r - 6) : r + 7].max() for r, c in zip(rows, columns, strict=True)]
    assert np.mean(np.array(near) > 60) > 0.97


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


def tiny_run(folder: Path, **changes: object) -> tuple[TrainConfig, Path]:
    """Shards of hand-made strips, and a configuration small enough for a test."""
    shards = folder / "strips"
    shards.mkdir(parents=True)
    signs = [(120.0, 40.0, "punctum", 0, 1.0), (104.0, 90.0, "virga", 2, 1.0)]
    part = join([strips_with(signs), strips_with(signs[:1]), strips_with(signs[1:])])
    for split in ("train", "held-out"):
        np.savez(shards / f"{split}-000000.npz", **{name: getattr(part, name) for name in Strips.__slots__})
        (shards / f"{split}-000000.sha256").write_text(f"{split}\n")
    config = TrainConfig(
        widths=(8, 8, 8, 8),
        crop_cols=96,
        batch=2,
        steps=4,
        check_every=2,
        **changes,  # type: ignore[arg-type]
    )
    return config, shards


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_a_run_stopped_and_resumed_ends_like_one_that_was_not(tmp_path: Path) -> None:
    config, shards = tiny_run(tmp_path)
    whole = Run(config, tmp_path / "whole", shards)
    (tmp_path / "whole").mkdir()
    (tmp_path / "parts").mkdir()
    crops = whole.cropper("train")
    for _ in range(4):
        whole.advance(crops)
    first = Run(config, tmp_path / "parts", shards)
    for _ in range(2):
        first.advance(crops)
    first.save()
    second = Run(config, tmp_path / "parts", shards)
    assert second.step == 2
    for _ in range(2):
        second.advance(crops)
    for one, two in zip(whole.net.state_dict().values(), second.net.state_dict().values(), strict=True):
        assert torch.equal(one, two)


def test_a_checkpoint_of_another_configuration_is_refused(tmp_path: Path) -> None:
    config, shards = tiny_run(tmp_path)
    run = Run(config, tmp_path, shards)
    run.save()
    with pytest.raises(SystemExit, match="another configuration"):
        Run(replace(config, seed=5), tmp_path, shards)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_training_writes_a_whole_model_folder_and_stops_early(tmp_path: Path) -> None:
    config, _ = tiny_run(tmp_path, patience=1, peak_rate=0.0, weight_decay=0.0)
    folder = train(replace(config, steps=40), tmp_path)
    metrics = json.loads((folder / "metrics.json").read_text())
    assert metrics["steps_done"] < 40, "a loss that no longer falls must end the run"
    names = {path.name for path in folder.iterdir()}
    assert names >= {"strip.onnx", "registry.toml", "strip.md", "strip.png", "metrics.json", "config.toml"}
    card = (folder / "strip.md").read_text()
    assert metrics["data_sha256"] in card
    assert all(gain in (0.0, None) for *_, gain in compare(folder, folder))
    assert settings_apart(folder, folder) == []


def test_of_levels_of_belief_as_good_as_the_best_the_one_nearest_an_even_chance_is_taken() -> None:
    assert _level({0.2: 0.9901, 0.4: 0.9899, 0.55: 0.9898, 0.7: 0.9902}) == 0.55
    assert _level({0.2: 0.9901, 0.4: 0.9899, 0.55: 0.989, 0.7: 0.992}) == 0.7


def test_reliability_by_hand() -> None:
    """Two bins worked by hand: 0.9 stated and 1/2 right, 0.1 stated and 0 right."""
    rows = reliability(np.array([0.9, 0.9, 0.1]), np.array([1.0, 0.0, 0.0]), bins=2)
    assert [(round(p, 6), share, n) for p, share, n in rows] == [(0.1, 0.0, 1), (0.9, 0.5, 2)]


def test_a_dataset_has_one_hash_however_it_was_made(tmp_path: Path) -> None:
    for jobs in (1, 2):
        pool = Pool(9, {"empty-staves": 1.0})
        render_shards({tmp_path / str(jobs): STRIPS_VIEW}, pool, "test", 2, jobs, shard=1)
    assert data_hash(tmp_path / "1", "test") == data_hash(tmp_path / "2", "test")
    with pytest.raises(FileNotFoundError, match="no shards of 'train'"):
        data_hash(tmp_path / "1", "train")
    for path in sorted((tmp_path / "1").glob("*.npz")):
        with np.load(path) as a, np.load(tmp_path / "2" / path.name) as b:
            assert all(np.array_equal(a[name], b[name]) for name in a.files)


def test_variants_see_less_and_share_the_rest() -> None:
    strips = strips_with([(120.0, 40.0, "punctum", 0, 1.0)])
    cropper = Cropper(join([strips, strips]), 128, 1.3, torch.device("cpu"))
    half = cropper.variant("line-free", share=0.5)
    assert len(half.lines) == 1 and half.pixels is cropper.pixels
    batch = half.at(np.array([0]), np.array([0]))
    assert float(batch.strips[:, :3].abs().max()) == 0 and float(batch.strips[:, 3].max()) > 0.5
    assert float(cropper.at(np.array([1]), np.array([0])).strips[:, :3].max()) > 0.5


def test_lines_of_two_points_are_shaken_too() -> None:
    line = StaffLine(cols=(0.0, 90.0), rows=(50.0, 52.0), thickness_px=1.0, colour="red", seen=1.0)
    staff = Staff(id="s01", column=0, lines=(line,), space_px=10.0, area=Box(0, 0, 100, 90))
    moved = shaken(staff, np.random.default_rng(1)).lines[0]
    assert len(moved.rows) == len(moved.cols) >= 2
