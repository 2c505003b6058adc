"""A gate: four drawn pages of unseen hands through the whole pipeline must be read about as well as before.

Floors lie far enough below what was measured with the first model (behind each) that another
drawing of the same kinds passes, and near enough that losing a stage, a sign or a unit does not.
Whoever makes reading better may raise them; whoever must lower one says why.
"""

from __future__ import annotations

import cv2
import msgspec
import pytest

from neumary.metrics import PageScore, combine, score_page
from neumary.models import load_model
from neumary.pipeline import judge, observe
from neumary.settings import ReadSettings
from neumary.types import Scan
from neumary_synth.render import render_page
from neumary_training.shards import page_seed

KINDS = ("square", "pointed", "five-line", "songbook")
FIRST = 190_000  # among the seeds kept for tests, and not among those of the evaluation
SPACE_PX = 18.0


@pytest.fixture(scope="module")
def scores() -> tuple[PageScore, PageScore]:
    """Totals of the four pages, with and without the joint decision."""
    cv2.setNumThreads(1)
    model, settings = load_model("", threads=1), ReadSettings()
    decided, plain = [], []
    for number, kind in enumerate(KINDS):
        drawn = render_page(page_seed(1, "test", FIRST + number), kind, space_px=SPACE_PX)
        scan = Scan(page_id=drawn.page.page_id, rgb=drawn.rgb, source="drawn.png", sha256="")
        seen = observe(scan, settings, model)
        decided.append(score_page(judge(seen, settings), drawn.page))
        plain.append(score_page(judge(seen, msgspec.structs.replace(settings, decide=False)), drawn.page))
    return combine(decided), combine(plain)


def test_there_is_enough_to_measure(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].notes.hit + scores[0].notes.missed >= 500


def test_staves_are_found(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].staves.f1 >= 0.85  # 0.962
    assert scores[0].lines.f1 >= 0.88  # 0.956


def test_notes_are_found_and_named(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].notes.f1 >= 0.9  # 0.951
    assert scores[0].label_soft.accuracy >= 0.92  # 0.965
    assert scores[0].step.accuracy >= 0.96  # 0.997


def test_other_signs_are_found(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].sign_f1("clef") >= 0.78  # 0.892
    assert scores[0].sign_f1("accidental") >= 0.8  # 0.974
    assert scores[0].sign_f1("custos") >= 0.7  # 0.857
    assert scores[0].sign_f1("division") >= 0.8  # 0.966


def test_the_melody_comes_out(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].melody_error_rate <= 0.3  # 0.173, mostly clefs
    assert scores[0].boundaries.f1 >= 0.85  # 0.938


def test_the_joint_decision_does_no_harm(scores: tuple[PageScore, PageScore]) -> None:
    decided, plain = scores
    assert decided.melody_error_rate <= plain.melody_error_rate + 0.02


def test_doubt_is_honest(scores: tuple[PageScore, PageScore]) -> None:
    assert scores[0].calibration_error <= 0.08  # 0.034
