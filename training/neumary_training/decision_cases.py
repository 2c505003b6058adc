"""Rendered pages for `neumary_training.decision_eval`: their truth, and what was seen before any decision.

What the decision is given can be made worse or better stage by stage, so that its own errors can be told
from those of the stages before it: staves found, or those of the truth, shaken as in training
(`neumary_training.data.shaken`); signs read by the network, or those of the truth with the slips of
`neumary_training.sign_noise`.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Final, Literal

import cv2
import msgspec
import numpy as np

from neumary import ink
from neumary.pipeline import number_signs, observe, read_signs
from neumary.settings import ReadSettings
from neumary.store import load_page, save_page
from neumary.types import Page, Scan, Syllable
from neumary_models import zoo
from neumary_synth.render import render_page
from neumary_training.data import shaken
from neumary_training.shards import page_seed
from neumary_training.sign_noise import noisy_signs

Staves = Literal["found", "truth"]
Signs = Literal["read", "truth"]

KINDS: Final = ("square", "pointed", "five-line", "songbook")
_SEED: Final = 1


@dataclass(frozen=True, slots=True)
class Case:
    """One rendered page: its truth, and what was seen before any decision."""

    name: str
    truth: Page
    raw: Page


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which pages, seen how.

    Attributes
    ----------
    work : Path
        Folder the pictures and the pages seen are kept in; made where it is missing.
    split : str
        "held-out" to tune on, "test" to report on; "train" is refused.
    pages : int
        How many are looked at, of all kinds.
    first : int
        Number of the first.
    kinds : tuple of str
        Of the pages looked at only those of these kinds are taken; kinds come in turn, as in `KINDS`.
    staves : {"found", "truth"}
    signs : {"read", "truth"}
        "truth" needs no picture read; it stands on the true staves.
    model : str
        Name or file.
    """

    work: Path
    split: str = "held-out"
    pages: int = 40
    staves: Staves = "found"
    signs: Signs = "read"
    model: str = zoo.DEFAULT
    first: int = 0
    kinds: tuple[str, ...] = KINDS

    def __post_init__(self) -> None:
        if self.split == "train":
            raise ValueError("figures on pages the network was trained on say nothing")
        if self.signs == "truth" and self.staves == "found":
            raise ValueError("signs of the truth stand on the staves of the truth")
        if not set(self.kinds) <= set(KINDS):
            raise ValueError(f"kinds are {', '.join(KINDS)}")

    @property
    def numbers(self) -> list[int]:
        """Numbers of the pages taken."""
        looked_at = range(self.first, self.first + self.pages)
        return [i for i in looked_at if KINDS[i % len(KINDS)] in self.kinds]

    def file(self, index: int, part: str) -> Path:
        """Where a part of a page is kept: "png", "truth.json" and so on."""
        return self.work / f"{self.split}-{index:04d}.{part}"

    @property
    def seen(self) -> str:
        """Part in which the page as seen is kept."""
        return "raw.json" if self.staves == "found" else "on-true-staves.json"


def prepare(wanted: Wanted, jobs: int = 1) -> Iterator[Case]:
    """Render and read pages; those already in the work folder are taken from there.

    Delete its ``*.raw.json`` and ``*.on-true-staves.json`` after a change of the earlier stages or the
    network, the whole folder after a change of the renderer.
    """
    wanted.work.mkdir(parents=True, exist_ok=True)
    last = "truth.json" if wanted.signs == "truth" else wanted.seen
    todo = [(wanted, i) for i in wanted.numbers if not wanted.file(i, last).exists()]
    if jobs > 1 and todo:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            for _ in pool.map(_prepare_one, todo):
                pass
    else:
        for task in todo:
            _prepare_one(task)
    for i in wanted.numbers:
        truth = load_page(wanted.file(i, "truth.json"))
        rng = np.random.default_rng([page_seed(_SEED, wanted.split, i), 11])
        raw = noisy_signs(truth, rng) if wanted.signs == "truth" else load_page(wanted.file(i, wanted.seen))
        yield Case(f"{wanted.split}-{i:04d}", truth, raw)


def _prepare_one(task: tuple[Wanted, int]) -> None:
    wanted, index = task
    cv2.setNumThreads(1)
    picture, seed = wanted.file(index, "png"), page_seed(_SEED, wanted.split, index)
    if not picture.exists():
        rendered = render_page(seed, KINDS[index % len(KINDS)])
        save_page(rendered.page, wanted.file(index, "truth.json"))
        cv2.imwrite(str(picture), rendered.rgb[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if wanted.signs == "truth":
        return
    rgb = np.asarray(cv2.imread(str(picture)), dtype=np.uint8)[..., ::-1]
    scan = Scan(page_id=picture.stem, rgb=rgb, source=picture.name, sha256="")
    model = zoo.load(wanted.model)
    if wanted.staves == "found":
        raw = observe(scan, ReadSettings(), model)
    else:
        truth = load_page(wanted.file(index, "truth.json"))
        raw = observe_on(scan, truth, model, np.random.default_rng([seed, 5]))
    save_page(raw, wanted.file(index, wanted.seen))


def observe_on(scan: Scan, truth: Page, model: zoo.LoadedModel, rng: np.random.Generator) -> Page:
    """A page as `neumary.pipeline.observe` gives it, but on the true staves, a little shaken.

    Parameters
    ----------
    scan : Scan
    truth : Page
        Only its staves are looked at.
    model : LoadedModel
    rng : numpy.random.Generator
        For the shaking.
    """
    staves = [shaken(staff, rng) for staff in truth.staves if staff.lines]
    words: list[Syllable] = []
    glyphs, readings = number_signs(staves, read_signs(ink.map_ink(scan), staves, model, words))
    return Page(
        page_id=scan.page_id,
        source=scan.source,
        sha256=scan.sha256,
        width=scan.width,
        height=scan.height,
        staves=tuple(staves),
        glyphs=tuple(glyphs),
        readings=tuple(readings),
        syllables=tuple(msgspec.structs.replace(word, id=f"y{n:04d}") for n, word in enumerate(words, 1)),
    )
