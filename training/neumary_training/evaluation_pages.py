"""The pages of an evaluation: unseen hands drawn by seed, real leaves, and both read from their files.

Every page is read twice through `neumary.pipeline`, with and without the joint decision. What is
written here is what ``neumary read`` and ``neumary score`` work on, so any figure can be had again by hand.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import cv2
import msgspec
import numpy as np

from neumary.pipeline import judge, observe
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.store import load_page, save_page
from neumary.types import U8, Page
from neumary_models.labels import LAYERS
from neumary_models.zoo import DEFAULT, LoadedModel, load
from neumary_synth.ageing import Ageing, sample_ageing
from neumary_synth.plan import KINDS
from neumary_synth.render import render_page, write_rendered
from neumary_training.shards import page_seed

SEED: Final = 1
_PER_KIND: Final = 10_000  # seeds of one kind never run into those of the next
_LAYER_ORDER: Final = ("bleed", "line", "decoration", "text", "music")  # later ones win a pixel


@dataclass(frozen=True, slots=True)
class Leaf:
    """One drawn page of an evaluation.

    Attributes
    ----------
    kind : str
        One of `neumary_synth.plan.KINDS`.
    seed : int
        From the part of the seeds kept for tests; never drawn in training.
    """

    kind: str
    seed: int

    @property
    def page_id(self) -> str:
        """Page id the renderer gives it."""
        return f"synth-{self.seed:08d}"


@dataclass(frozen=True, slots=True)
class Case:
    """One page as drawn, as read, and as read without the joint decision.

    Attributes
    ----------
    wear : tuple of str
        Ageing classes the page falls into; see `ageing_classes`.
    """

    leaf: Leaf
    picture: Path
    truth: Page
    read: Page
    undecided: Page
    wear: tuple[str, ...]

    @property
    def layers(self) -> U8:
        """Index into `LAYERS` of each pixel, shape (H, W)."""
        return np.asarray(cv2.imread(str(layers_path(self.picture)), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


def plan_leaves(pages: int, kinds: Sequence[str] = KINDS) -> list[Leaf]:
    """As many pages of each kind, by fixed seeds; asking for more adds pages and changes none."""
    return [
        Leaf(kind, page_seed(SEED, "test", KINDS.index(kind) * _PER_KIND + number))
        for kind in kinds
        for number in range(pages)
    ]


def ageing_classes(ageing: Ageing, space_px: float) -> tuple[str, ...]:
    """Ways in which a page is hard to read; "kept well" where there are none.

    Parameters
    ----------
    ageing : Ageing
    space_px : float
        Staff space in the photograph.
    """
    tests = {
        "under 16 px a space": space_px < 16,
        "strong show-through": ageing.bleed > 0.25,
        "faded or flaked ink": ageing.fade > 0.15 or ageing.flaking > 0.3,
        "blurred or noisy": ageing.blur_px > 0.8 or ageing.noise > 3,
        "crooked or bent": abs(ageing.rotation_deg) > 3 or ageing.perspective > 0.05
        or ageing.waves_spaces > 0.25,
        "grey film": ageing.grey,
    }  # fmt: skip
    return tuple(name for name, true in tests.items() if true) or ("kept well",)


def wear_of(truth: Page) -> tuple[str, ...]:
    """Ageing classes of a drawn page, drawn again from its seed as the renderer draws them."""
    settings = truth.provenance.settings
    ageing = sample_ageing(np.random.default_rng([int(settings["seed"]), 3]))
    return ageing_classes(ageing, float(settings["space_px"]))


def layers_path(picture: Path) -> Path:
    """Where the ink layers of a drawn picture are kept."""
    return picture.parents[1] / "layers" / f"{picture.stem}.png"


def run_cases(
    leaves: Sequence[Leaf],
    out: Path,
    *,
    jobs: int = 2,
    model: str = "",
    threads: int = 1,
    redraw: bool = True,
) -> list[Case]:
    """Draw and read pages, in the order given.

    Parameters
    ----------
    leaves : sequence of Leaf
    out : Path
        ``truth/``, ``layers/``, ``read/`` and ``undecided/`` are written into it.
    jobs : int
        Processes; the figures do not depend on it.
    model : str
        Name of a model or path of one; "" takes the shipped one.
    threads : int
        Threads of the network in each process.
    redraw : bool
        Whether pages drawn by an earlier run are drawn again; needed when the renderer has changed.
    """
    for name in ("truth", "layers", "read", "undecided"):
        (out / name).mkdir(parents=True, exist_ok=True)
    tasks = [(leaf, out, model, threads, redraw) for leaf in leaves]
    if jobs <= 1:
        return [_run_case(*task) for task in tasks]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=be_polite) as pool:
        return list(pool.map(_run_case, *zip(*tasks, strict=True)))


def be_polite() -> None:
    """Let other work on the machine go first: what each process of an evaluation begins with."""
    os.nice(10)
    cv2.setNumThreads(1)


@cache
def _model(name: str, threads: int) -> LoadedModel:
    return load(name or DEFAULT, threads=threads)


def _run_case(leaf: Leaf, out: Path, model: str, threads: int, redraw: bool) -> Case:
    picture = out / "truth" / f"{leaf.page_id}.jpg"
    stored = picture.with_suffix(".page.json")
    if redraw or not (stored.is_file() and picture.is_file() and layers_path(picture).is_file()):
        _draw(leaf, picture)
    truth = load_page(stored)
    read, undecided = read_both(picture, model, threads)
    for name, page in (("read", read), ("undecided", undecided)):
        (out / name / page.page_id).mkdir(exist_ok=True)
        save_page(page, out / name / page.page_id / "page.json")
    return Case(leaf, picture, truth, read, undecided, wear_of(truth))


def _draw(leaf: Leaf, picture: Path) -> None:
    rendered = render_page(leaf.seed, leaf.kind)
    layers = np.zeros(rendered.rgb.shape[:2], dtype=np.uint8)
    for name in _LAYER_ORDER:
        layers[rendered.masks[name] > 96] = LAYERS.index(name)
    cv2.imwrite(str(layers_path(picture)), layers)
    write_rendered(rendered, picture.parent)


def read_both(picture: Path, model: str = "", threads: int = 1) -> tuple[Page, Page]:
    """Read a picture with and without the joint decision; both from the same look at it."""
    (scan,) = read_scans(picture)
    settings = ReadSettings()
    seen = observe(scan, settings, _model(model, threads))
    return judge(seen, settings), judge(seen, msgspec.structs.replace(settings, decide=False))
