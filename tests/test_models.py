"""Shipped weights: checked, sized, labelled, and the same in PyTorch and ONNX Runtime."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from neumary_models import zoo
from neumary_models.labels import BY_NAME, LABELS, NAMES
from neumary_models.outputs import CHANNELS_IN, CHANNELS_OUT, STRIDE


@pytest.mark.parametrize("name", sorted(zoo.registered()))
def test_every_registered_model_is_whole(name: str) -> None:
    entry = zoo.registered()[name]
    data = zoo.check(entry)
    assert hashlib.sha256(data).hexdigest() == entry.sha256
    assert len(data) <= 4 * 1024 * 1024, "weights are to stay under 4 MiB"
    card = entry.card.read_text(encoding="utf-8")
    for word in (entry.sha256, "seed", "licence", "rendered"):
        assert word in card


def test_runs_at_any_width_with_the_same_answer_alone_or_in_a_batch() -> None:
    model = zoo.load(threads=1)
    strips = np.random.default_rng(3).random((2, CHANNELS_IN, 176, 192), dtype=np.float32)
    both = model.run(strips)
    assert both.shape == (2, CHANNELS_OUT, 176 // STRIDE, 192 // STRIDE)
    assert np.abs(model.run(strips[:1]) - both[:1]).max() < 1e-3
    assert np.array_equal(model.run(strips), both)


def test_an_altered_file_stops_the_run(tmp_path: Path) -> None:
    entry = zoo.registered()[zoo.DEFAULT]
    other = tmp_path / "strip.onnx"
    other.write_bytes(entry.path.read_bytes()[:-1] + b"x")
    changed = zoo.ModelEntry(
        entry.name, other, entry.sha256, entry.labels, entry.calibration, entry.card, entry.about
    )
    with pytest.raises(zoo.ModelAltered, match="sha256"):
        zoo.check(changed)
    other.unlink()
    with pytest.raises(zoo.ModelMissing):
        zoo.check(changed)


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(zoo.ModelMissing, match=zoo.DEFAULT):
        zoo.find("nosuch")


def test_labels_name_real_smufl_glyphs(reference: Path) -> None:
    """SMuFL glyph names from the W3C list (reference/chant_glyphs.tsv)."""
    known = {line.split("\t")[0] for line in (reference / "chant_glyphs.tsv").read_text().splitlines()[1:]}
    for label in LABELS:
        assert not label.smufl or label.smufl in known, label


def test_label_list_is_closed_and_unique() -> None:
    assert len(set(NAMES)) == len(NAMES) == len(BY_NAME)


def test_eight_bits_read_what_floats_read() -> None:
    """The quantised default against the model it was made from, on a drawn page."""
    from neumary.metrics import score_page
    from neumary.pipeline import read_page
    from neumary.settings import ReadSettings
    from neumary.types import Scan
    from neumary_synth.render import render_page

    rendered = render_page(77, "square", space_px=18.0)
    scan = Scan(page_id="p", rgb=rendered.rgb, source="p.png", sha256="0")
    read = {
        name: read_page(scan, ReadSettings(), zoo.load(name, threads=1)) for name in ("strip", "strip-float")
    }
    score = score_page(read["strip"], read["strip-float"])
    assert score.notes.f1 >= 0.98 and score.step.rate >= 0.98
