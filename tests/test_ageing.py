"""Ageing: every effect by itself, the order they act in, and looks that cover real leaves."""

from __future__ import annotations

import re
import sys
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from neumary.types import Page
from neumary_synth import ageing
from neumary_synth.ageing import Ageing
from neumary_synth.appearance import Appearance, measure_appearance, spread
from neumary_synth.plan import KINDS, sample_style
from neumary_synth.render import Rendered, render_page

SEED, KIND, SPACE_PX = 98, "square", 12.0  # a page with something round the leaf on all sides
# One setting for each field, strong enough to be seen; what needs another field to act brings it along.
EFFECTS: dict[str, dict[str, object]] = {
    "parchment": {"parchment": (190, 170, 140)},
    "mottle": {"mottle": 6.0},
    "grain": {"grain": 3.0},
    "follicles": {"follicles": 0.9},
    "edge_dark": {"edge_dark": 0.4},
    "stains": {"stains": 12},
    "bleed": {"bleed": 0.5},
    "bleed_blur_spaces": {"bleed": 0.5, "bleed_blur_spaces": 0.3},
    "fade": {"fade": 0.5},
    "flow": {"flow": 0.6},
    "flaking": {"flaking": 0.9},
    "erasures": {"erasures": 40},
    "holes": {"holes": 40},
    "background": {"background": (120, 118, 115)},
    "opposite": {"gutter": -1, "opposite": True},
    "chart": {"chart": True},
    "rotation_deg": {"rotation_deg": 3.0},
    "perspective": {"perspective": 0.1},
    "waves_spaces": {"waves_spaces": 0.3},
    "curl_spaces": {"gutter": -1, "curl_spaces": 0.6},
    "gutter": {"gutter": 1, "curl_spaces": 0.6},
    "shadow": {"gutter": -1, "shadow": 0.5},
    "uneven_light": {"uneven_light": 0.3},
    "blur_px": {"blur_px": 1.0},
    "sharpen": {"sharpen": 0.8},
    "exposure": {"exposure": 0.8},
    "contrast": {"contrast": 1.3},
    "white_balance": {"white_balance": (1.1, 1.0, 0.9)},
    "grey": {"grey": True},
    "noise": {"noise": 4.0},
    "jpeg_quality": {"jpeg_quality": 30},
}
BENDING = ("rotation_deg", "perspective", "waves_spaces", "curl_spaces", "gutter")


def draw(**settings: object) -> Rendered:
    return render_page(SEED, KIND, ageing=replace(Ageing(), **settings), space_px=SPACE_PX)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def clean() -> Rendered:
    return draw()


def places(page: Page) -> list[tuple[float, float]]:
    return [(glyph.row, glyph.col) for glyph in page.glyphs]


def test_every_effect_is_tried() -> None:
    assert set(EFFECTS) == {field.name for field in fields(Ageing)}


@pytest.mark.parametrize("name", list(EFFECTS))
def test_each_effect_acts_by_itself(clean: Rendered, name: str) -> None:
    """It changes the picture, and moves no sign unless it bends the page."""
    aged = draw(**EFFECTS[name])
    without = {key: value for key, value in EFFECTS[name].items() if key != name}
    before = draw(**without) if without else clean
    assert aged.rgb.shape == before.rgb.shape
    assert (aged.rgb != before.rgb).any()
    moved = places(aged.page) != places(before.page)
    assert moved == (name in BENDING)


def test_effects_at_their_defaults_leave_flat_colour(clean: Rendered) -> None:
    """What is bare is parchment of one colour, or the background round the leaf."""
    bare = np.all([mask == 0 for mask in clean.masks.values()], axis=0)
    inside = clean.rgb[bare].astype(int)
    near = [np.abs(inside - np.array(c)).max(axis=1) <= 1 for c in (Ageing().parchment, Ageing().background)]
    assert near[0].mean() > 0.5
    assert (near[0] | near[1]).mean() > 0.97


def test_the_documented_order_names_every_effect() -> None:
    """The list at the head of the module has ten steps and leaves no field without a word."""
    text = ageing.__doc__ or ""
    assert [int(n) for n in re.findall(r"^(\d+)\.", text, re.MULTILINE)] == list(range(1, 11))
    steps = text.split("1. ", 1)[1].lower()
    words = [
        *("mottling", "grain", "bleed", "fade", "flow", "flaking", "erasures", "holes", "background"),
        *("rotation", "perspective", "waves", "curl", "shadow", "blur", "sharpening"),
        *("exposure", "white", "contrast", "grey", "noise", "jpeg"),
    ]
    places_in_text = [steps.index(word) for word in words]
    assert places_in_text == sorted(places_in_text)


def test_noise_comes_after_grey_film_and_show_through_under_the_ink() -> None:
    """Steps 9 before 10, and 2 before 3: noise is coloured, ink over bleed is darker than either."""
    grey = draw(grey=True)
    assert (grey.rgb[..., 0] == grey.rgb[..., 1]).all()
    noisy = draw(grey=True, noise=4.0)
    assert (noisy.rgb[..., 0] != noisy.rgb[..., 1]).mean() > 0.3
    bled, plain = draw(bleed=0.6), draw()
    under = (bled.masks["bleed"] > 128) & (plain.masks["music"] > 250)
    assert under.sum() > 20
    assert (bled.rgb[under].astype(int) <= plain.rgb[under].astype(int) + 1).all()


def test_what_shows_through_is_faded_as_the_page_is() -> None:
    """Both sides were written with one ink."""
    bled, plain = draw(bleed=0.8), draw()
    old, old_plain = draw(bleed=0.8, fade=0.5), draw(fade=0.5)
    under = (bled.masks["bleed"] > 128) & (plain.masks["music"] == 0) & (plain.masks["text"] == 0)
    fresh, faded = (
        float((a.rgb[under].astype(int) - b.rgb[under].astype(int)).mean())
        for a, b in ((plain, bled), (old_plain, old))
    )
    assert 0.4 * fresh < faded < 0.75 * fresh


def test_faded_and_flaked_ink_stays_in_the_truth(clean: Rendered) -> None:
    worn = draw(fade=0.4, flaking=0.6)
    assert places(worn.page) == places(clean.page)
    assert all(np.array_equal(worn.masks[name], clean.masks[name]) for name in ("line", "music", "text"))


def test_about_a_third_of_pages_is_rich_in_rare_signs() -> None:
    """As `neumary_synth.habits` says; without them a reader meets too few rare signs."""
    rng = np.random.default_rng(5)
    rich = [sample_style(rng, KINDS[i % len(KINDS)]).habits.rich for i in range(600)]
    assert np.mean(rich) == pytest.approx(0.34, abs=0.06)


def test_line_thickness_is_what_is_drawn(clean: Rendered) -> None:
    """The truth's thickness against the ink on the line layer, summed over rows."""
    page = render_page(102, KIND, ageing=Ageing(), space_px=26)
    ratios = []
    for staff in page.page.staves:
        for line in staff.lines:
            at = np.arange(line.cols[0] + 5, line.cols[-1] - 5, 7.0)
            rows = np.interp(at, line.cols, line.rows)
            near = np.round(rows).astype(int)[:, None] + np.arange(-8, 9)[None, :]
            ink = page.masks["line"][np.clip(near, 0, page.page.height - 1), at.astype(int)[:, None]] / 255
            ratios.append(np.median(ink.sum(axis=1)) / line.thickness_px)
    assert 0.7 < np.median(ratios) < 1.7


def test_looks_cover_real_leaves(scans: Path) -> None:
    """Colours, contrast, line thickness and noise of real leaves lie within those of rendered pages.

    The leaves are only measured; `tests/appearance.py` prints the whole table for all of them.
    """
    sys.path.insert(0, str(Path(__file__).parent))
    from appearance import measure_leaf

    real = [measure_leaf(scans / name) for name in ("antiphoner_f043r.jpg", "antiphoner_f001r.jpg")]
    measured: list[Appearance] = []
    outside = ["no page yet"]
    for seed in range(300, 340):  # stops where the range covers them, so as not to draw more than needed
        page = render_page(seed)
        here = measure_appearance(page.rgb, page.page)
        measured += [] if here is None else [here]
        if len(measured) > 7 and not (outside := _outside(real, measured)):
            break
    assert outside == []


def _outside(real: list[Appearance | None], rendered: list[Appearance]) -> list[str]:
    """Measures by which a leaf lies outside the rendered pages."""
    ranges = spread(rendered)
    found = []
    for name in (field.name for field in fields(Appearance)):
        low, *_, high = ranges[name]
        values = [np.nan if one is None else getattr(one, name) for one in real]
        found += [f"{name} {value:.3f}" for value in values if not low <= value <= high]
    return found
