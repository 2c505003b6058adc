"""What an evaluation found: scores by kind and state of page, and every mistake with its cause."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import cv2
import numpy as np

import neumary
import neumary_synth
from neumary.crops import cut_crop, describe, make_sheet
from neumary.metrics import PageScore, combine
from neumary.mistakes import Mistake
from neumary.score import Report, score_pages
from neumary.types import U8
from neumary_models.labels import LAYERS
from neumary_models.zoo import DEFAULT, find
from neumary_training.evaluation_leaves import LeafResult
from neumary_training.evaluation_pages import Case

GROUPS: Final = {
    "full staves": ("square", "pointed", "five-line", "songbook", "layered"),
    "one or two coloured lines": ("two-line", "one-line"),
    "no lines": ("letters", "staffless"),
    "no notes": ("empty-staves", "text-only"),
}
"""Kinds that are asked the same question; figures of different groups are never mixed."""

_SHOWN: Final = 60


@dataclass(frozen=True, slots=True)
class Culprit:
    """A mistake, the page it is on, and the layer whose ink it stands on."""

    mistake: Mistake
    kind: str
    wear: tuple[str, ...]
    layer: str


@dataclass(frozen=True, slots=True)
class Evaluation:
    """All that was measured.

    Attributes
    ----------
    read, undecided : dict of str to Report
        By kind of page, with and without the joint decision; the groups' totals under their names.
    wear : dict of str to PageScore
        Full staves by ageing class; a page may fall into several.
    baseline : PageScore or None
        The classical reader on the same full staves.
    culprits : list of Culprit
    leaves : list of LeafResult
    """

    pages: int
    made: str
    version: str
    model: str
    model_sha256: str
    renderer_sha256: str
    read: dict[str, Report]
    undecided: dict[str, Report]
    wear: dict[str, PageScore]
    baseline: PageScore | None
    culprits: list[Culprit]
    leaves: list[LeafResult]


def evaluate_cases(
    cases: Sequence[Case], pages: int, model: str, leaves: list[LeafResult], baseline: PageScore | None
) -> Evaluation:
    """Score cases by kind, by group and by ageing class."""
    entry = find(model or DEFAULT)
    read, undecided = {}, {}
    rows = {kind: (kind,) for kinds in GROUPS.values() for kind in kinds} | GROUPS
    for name, kinds in rows.items():
        chosen = {case.truth.page_id: case for case in cases if case.leaf.kind in kinds}
        true = {page: case.truth for page, case in chosen.items()}
        read[name] = score_pages({page: case.read for page, case in chosen.items()}, true)
        undecided[name] = score_pages({page: case.undecided for page, case in chosen.items()}, true)
    full = {case.truth.page_id: case for case in cases if case.leaf.kind in GROUPS["full staves"]}
    classes = Counter(name for case in full.values() for name in case.wear)
    wear = {
        name: combine([read["full staves"].pages[p] for p, case in full.items() if name in case.wear])
        for name, _ in classes.most_common()
    }
    return Evaluation(
        pages=pages,
        made=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        version=neumary.__version__,
        model=entry.name,
        model_sha256=entry.sha256,
        renderer_sha256=renderer_sha256(),
        read=read,
        undecided=undecided,
        wear=wear,
        baseline=baseline,
        culprits=_culprits(cases, read),
        leaves=leaves,
    )


def renderer_sha256() -> str:
    """Hash of the renderer's sources: the same seeds draw the same pages only with the same hash."""
    digest = hashlib.sha256()
    for path in sorted(Path(neumary_synth.__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _culprits(cases: Sequence[Case], reports: dict[str, Report]) -> list[Culprit]:
    found = []
    for case in cases:
        layers = case.layers
        page = case.truth.page_id
        for mistake in reports[case.leaf.kind].mistakes:
            if mistake.page_id == page:
                found.append(Culprit(mistake, case.leaf.kind, case.wear, layer_at(layers, mistake)))
    return found


def layer_at(layers: U8, mistake: Mistake) -> str:
    """Name of the commonest layer, lines and bare parchment apart, where a mistake is."""
    half = max(1, int(0.4 * mistake.space_px))
    row, col = int(mistake.row), int(mistake.col)
    patch = layers[max(0, row - half) : row + half + 1, max(0, col - half) : col + half + 1]
    counts = np.bincount(patch.ravel(), minlength=len(LAYERS))
    counts[:2] = 0
    return LAYERS[int(counts.argmax())] if counts.any() else LAYERS[0]


def worst_places(culprits: Sequence[Culprit], shown: int = _SHOWN) -> list[Culprit]:
    """Full staves' mistakes from all causes in turn, in each the surest first."""
    by_cause: dict[tuple[str, str], list[Culprit]] = {}
    for culprit in sorted(culprits, key=lambda c: -c.mistake.confidence):
        if culprit.kind in GROUPS["full staves"]:
            by_cause.setdefault((culprit.mistake.sort, culprit.mistake.cause), []).append(culprit)
    chosen: list[Culprit] = []
    while by_cause and len(chosen) < shown:
        for cause in list(by_cause):
            chosen.append(by_cause[cause].pop(0))
            if not by_cause[cause]:
                del by_cause[cause]
    return chosen[:shown]


def draw_gallery(culprits: Sequence[Culprit], cases: Sequence[Case]) -> U8:
    """One picture of the worst places."""
    pictures = {case.truth.page_id: case.picture for case in cases}
    tiles = []
    for culprit in culprits:
        mistake = culprit.mistake
        rgb = cv2.imread(str(pictures[mistake.page_id]), cv2.IMREAD_COLOR_RGB)
        words = describe(mistake)
        page = f"{culprit.kind} {mistake.page_id[-6:]} {mistake.confidence:.2f}"
        tiles.append(
            (cut_crop(np.asarray(rgb, dtype=np.uint8), mistake), words[:22], words[22:44].strip() or page)
        )
    return make_sheet(tiles)
