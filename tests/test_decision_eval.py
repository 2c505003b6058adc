"""The measuring of the decision: noise that is as doubtful as it says, temperatures found again."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import msgspec
import numpy as np
import pytest
from small_pages import Writer

from neumary.gamut import FAINT
from neumary.measures import Share
from neumary.pitch import resolve_pitches
from neumary.types import Page
from neumary_training.decision_cases import Wanted
from neumary_training.decision_hidden import melody_apart
from neumary_training.decision_measures import (
    clef_plants,
    fit_temperature,
    hidden_staves,
    warned_staves,
    witnessed_staves,
)
from neumary_training.sign_noise import SignNoise, noisy_signs


def page(leaf: Writer) -> Page:
    readings, said = resolve_pitches(*leaf.parts)
    parts = {"staves": tuple(leaf.staves), "glyphs": tuple(leaf.glyphs), "readings": tuple(readings)}
    return Page(page_id="p", source="", sha256="", width=2000, height=2000, warnings=tuple(said), **parts)


def long_leaf(staves: int = 60) -> Writer:
    leaf = Writer()
    for _ in range(staves):
        leaf.staff().clef("c", 4).notes(*(2, 3, 4, 5, 4, 3) * 5).sign("custos", 2)
    return leaf


def test_training_pages_are_refused() -> None:
    with pytest.raises(ValueError, match="trained on"):
        Wanted(Path("x"), split="train")
    with pytest.raises(ValueError, match="staves of the truth"):
        Wanted(Path("x"), signs="truth")


def test_pages_are_taken_from_any_number_on_and_of_any_kind() -> None:
    # kinds come in turn: square, pointed, five-line, songbook
    assert Wanted(Path("x"), pages=3, first=400).numbers == [400, 401, 402]
    assert Wanted(Path("x"), pages=8, first=6, kinds=("songbook", "square")).numbers == [7, 8, 11, 12]
    with pytest.raises(ValueError, match="kinds are"):
        Wanted(Path("x"), kinds=("round",))


def test_noise_is_as_doubtful_as_it_says() -> None:
    truth = page(long_leaf())
    noise = SignNoise(doubtful=1.0, missed=0.0, made_up=0.0)
    seen = noisy_signs(truth, np.random.default_rng(1), noise)
    meant = {r.glyph: r.step for r in truth.readings}
    doubtful = [r for r in seen.readings if r.label == "punctum" and r.steps]
    said = np.array([r.steps[0][1] for r in doubtful])
    right = np.array([r.step == meant[r.glyph] for r in doubtful])
    assert len(doubtful) > 1500 and right.mean() < 0.95
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 1.0)):
        inside = (said >= low) & (said < high)
        assert abs(said[inside].mean() - right[inside].mean()) < 0.05


def test_noise_has_the_shares_asked_for() -> None:
    truth = page(long_leaf())
    noise = SignNoise(missed=0.1, missed_clef=0.4, made_up=0.05)
    seen = noisy_signs(truth, np.random.default_rng(2), noise)
    true, found = (Counter(r.label for r in p.readings) for p in (truth, seen))
    heads = found["punctum"] + found["virga"]
    assert heads == pytest.approx(true["punctum"] * 0.95, rel=0.04)
    faint = sum(r.note == FAINT for r in seen.readings if r.label.startswith("clef"))
    assert 4 < faint < 25
    assert seen == noisy_signs(truth, np.random.default_rng(2), noise)


@pytest.mark.parametrize("factor", [0.8, 1.0, 1.5])
def test_the_temperature_is_found_again(factor: float) -> None:
    rng = np.random.default_rng(3)
    odds = []
    for _ in range(4000):
        logs = rng.normal(0, 2, size=3)
        p = np.exp(logs - logs.max())
        odds.append((logs * factor, int(rng.choice(3, p=p / p.sum()))))
    assert fit_temperature(odds) == pytest.approx(factor, abs=0.1)


def test_a_custos_doubts_both_staves_unless_it_is_a_step_out() -> None:
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 2).staff().clef("c", 4).notes(6)
    assert warned_staves(page(leaf)) == {"s01", "s02"}
    leaf = Writer().staff().clef("c", 4).notes(4).sign("custos", 2).staff().clef("c", 4).notes(3)
    assert warned_staves(page(leaf)) == set()


def test_hidden_and_witnessed_staves() -> None:
    leaf = Writer().staff().notes(2, 3, 4, 3).sign("custos", 2).staff().clef("c", 4).notes(2, 3, 4, 2)
    leaf.staff().notes(2, 3, 4, 3)
    assert hidden_staves(page(leaf), page(leaf)) == {"s01", "s03"}
    assert witnessed_staves(page(leaf)) == {"s01", "s02"}  # nothing speaks for the third


def test_every_plant_is_one_sure_slip_of_the_letter() -> None:
    truth = page(long_leaf(4))
    for planted, staff in clef_plants(truth, truth, truth, "name", 3):
        changed = [
            (a, b) for a, b in zip(truth.readings, planted.readings, strict=True) if a.label != b.label
        ]
        assert [(a.label, b.label, b.step) for a, b in changed] == [("clef_c", "clef_f", 6)]
        assert {g.id: g.staff for g in planted.glyphs}[changed[0][0].glyph] == staff
    assert len(list(clef_plants(truth, truth, truth, "name", 3))) == 3


def test_melody_errors_are_told_apart_by_clef() -> None:
    truth = page(Writer().staff().notes(2, 3, 4, 3).staff().clef("c", 4).notes(2, 3, 4, 2))
    low = page(Writer().staff().clef("c", 4).notes(2, 3, 4, 3).staff().clef("c", 4).notes(2, 3, 5, 2))
    unpitched = melody_apart(truth, truth)
    assert unpitched["seen"] == Share(0, 4) and "page without hidden" not in unpitched
    whole = page(Writer().staff().clef("c", 4).notes(2, 3, 4, 3).staff().clef("c", 4).notes(2, 3, 4, 2))
    assert melody_apart(low, whole) == {
        "hidden": Share(0, 0),
        "seen": Share(1, 8),
        "page without hidden": Share(1, 8),
    }
    clef = whole.glyphs[0].id
    hidden = msgspec.structs.replace(
        whole,
        glyphs=tuple(g for g in whole.glyphs if g.id != clef),
        readings=tuple(r for r in whole.readings if r.glyph != clef),
    )
    assert melody_apart(low, hidden)["hidden"] == Share(0, 4)
    assert melody_apart(low, hidden)["seen"] == Share(1, 4)
