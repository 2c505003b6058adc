"""Staffless signs through the whole pipeline: rendered pages of fresh hands, and a boxed real leaf.

    python -m neumary_training.evaluation_staffless --pages 100 --out DIR [--model NAME] [--scans DIR]

Pages with rows of signs ("staffless") and with layers of them around staves ("layered") are drawn by
seeds training never uses, and read from their pictures. A sign found and a true one are the same where
their boxes overlap by an IoU of 0.3 or the middle of one found lies in the true box, one to one.
Kept pages are not read again, so an interrupted run goes on.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from neumary.pipeline import read_page
from neumary.scan import read_scans
from neumary.settings import ReadSettings
from neumary.store import load_page, save_page
from neumary.types import Box, Page, Scan
from neumary_models.labels import HEADS
from neumary_models.zoo import DEFAULT, LoadedModel, load
from neumary_synth.plan import KINDS as DRAWN
from neumary_synth.render import Rendered, render_page
from neumary_synth.staffless_truth import FreeSign
from neumary_training.evaluate import reliability
from neumary_training.shards import page_seed

F64 = npt.NDArray[np.float64]
Edges = tuple[float, float, float, float]

KINDS: Final = ("staffless", "layered")
LEAST_IOU: Final = 0.3
_FIRST: Final = 90_000  # the test part's seeds from here on are used nowhere else
_NOTE_SPACES: Final = 0.5
_ROW_SHARE: Final = 0.95  # of a row's signs that must be together, and alone, for the row to be right
_SAME_NAME: Final = {"bistropha": "distropha", "apostropha": "stropha"}
_LEAF: Final = "staffless_p030"


@dataclass(frozen=True, slots=True)
class FoundSign:
    """A staffless sign as a page holds it."""

    box: Edges
    name: str
    confidence: float
    layer: str
    staff: str


@dataclass(slots=True)
class Counts:
    """What is counted over the pages of a kind; see `figures` for what follows from it."""

    pages: int = 0
    true: int = 0
    found: int = 0
    hits: int = 0
    named: int = 0
    rows: int = 0
    rows_right: int = 0
    layers_right: int = 0
    leaks: int = 0  # heads of the melody that are ink of a staffless sign
    notes: int = 0  # of the true melody
    notes_found: int = 0
    notes_as_signs: int = 0  # true notes inside a sign that is none
    pitched: int = 0  # notes of staffless signs with any degree: must stay 0
    outcomes: list[tuple[float, bool]] = field(default_factory=list)
    by_name: Counter[tuple[str, str]] = field(default_factory=Counter)  # (true, read), "" none


def signs_of(page: Page) -> list[FoundSign]:
    """The staffless signs and significative letters of a page, each with all its ink's box."""
    glyphs = {glyph.id: glyph for glyph in page.glyphs}
    found = []
    for neume in page.neumes:
        if neume.confidence is None:
            continue
        boxes = [glyphs[name].box for name in neume.glyphs]
        around = (
            float(min(b.top for b in boxes)), float(min(b.left for b in boxes)),
            float(max(b.bottom for b in boxes)), float(max(b.right for b in boxes)),
        )  # fmt: skip
        name = neume.name.removesuffix(" liquescens")
        layer = glyphs[neume.glyphs[0]].layer
        found.append(FoundSign(around, _SAME_NAME.get(name, name), neume.confidence, layer, neume.staff))
    for mark in page.marks:
        if mark.box is not None:
            found.append(FoundSign(_edges(mark.box), "letter", mark.confidence, mark.layer, mark.staff))
    return found


def _edges(box: Box) -> Edges:
    return float(box.top), float(box.left), float(box.bottom), float(box.right)


def pairs(found: Sequence[Edges], true: Sequence[Edges]) -> list[tuple[int, int]]:
    """One-to-one pairs of boxes that are the same sign, best overall."""
    if not found or not true:
        return []
    a, b = np.array(found), np.array(true)
    sides = np.minimum(a[:, None, 2:], b[None, :, 2:]) - np.maximum(a[:, None, :2], b[None, :, :2])
    shared = np.maximum(sides, 0).prod(axis=2)
    area = (a[:, 2:] - a[:, :2]).prod(axis=1)[:, None] + (b[:, 2:] - b[:, :2]).prod(axis=1)[None]
    iou = shared / np.maximum(area - shared, 1e-9)
    middle = (a[:, :2] + a[:, 2:])[:, None] / 2
    same = (iou >= LEAST_IOU) | ((middle >= b[None, :, :2]) & (middle <= b[None, :, 2:])).all(axis=2)
    rows, cols = linear_sum_assignment(np.where(same, -1 - iou, 0.0))
    return [(int(r), int(c)) for r, c in zip(rows, cols, strict=True) if same[r, c]]


def count_page(counts: Counts, read: Page, truth: Page, signs: Sequence[FreeSign]) -> None:
    """Add a page to the counts of its kind."""
    found = signs_of(read)
    same = dict(pairs([sign.box for sign in found], [sign.box for sign in signs]))
    counts.pages += 1
    counts.true, counts.found = counts.true + len(signs), counts.found + len(found)
    counts.hits += len(same)
    missed = Counter(sign.name for k, sign in enumerate(signs) if k not in set(same.values()))
    counts.by_name.update({(name, ""): n for name, n in missed.items()})
    for k, sign in enumerate(found):
        true = signs[same[k]] if k in same else None
        right = true is not None and true.name == sign.name
        counts.named += right
        counts.layers_right += true is not None and true.layer == sign.layer
        counts.outcomes.append((sign.confidence, right))
        counts.by_name[true.name if true else "", sign.name] += 1
    current, lineless = read.current(), {staff.id for staff in read.staves if not staff.lines}
    for glyph in read.glyphs:
        pitch = current[glyph.id].pitch
        if (glyph.layer != "melody" or glyph.staff in lineless) and pitch is not None:
            counts.pitched += pitch.degree is not None
    _count_rows(counts, found, signs, same)
    _count_melody(counts, read, truth, signs, [s.box for k, s in enumerate(found) if k not in same])


def _count_rows(
    counts: Counts, found: Sequence[FoundSign], signs: Sequence[FreeSign], same: dict[int, int]
) -> None:
    """A true row is right where one row read has nearly all of its signs found and hardly others."""
    true = [signs[j].row for j in same.values()]
    sizes = Counter(true)
    rows: dict[str, Counter[int]] = {}
    for k, j in same.items():
        rows.setdefault(found[k].staff, Counter())[signs[j].row] += 1
    counts.rows += len(sizes)
    for own in rows.values():
        row, n = own.most_common(1)[0]
        counts.rows_right += n >= _ROW_SHARE * own.total() and n >= _ROW_SHARE * sizes[row]


def _count_melody(
    counts: Counts, read: Page, truth: Page, signs: Sequence[FreeSign], false: Sequence[Edges]
) -> None:
    known, current = truth.current(), read.current()
    lined = {staff.id for staff in read.staves if staff.lines}
    true = [(g.row, g.col) for g in truth.glyphs if g.layer == "melody" and known[g.id].label in HEADS]
    if not any(staff.lines for staff in truth.staves):
        return
    heads = [
        (g.row, g.col)
        for g in read.glyphs
        if g.layer == "melody" and g.staff in lined and current[g.id].label in HEADS
    ]
    space = float(truth.provenance.settings["space_px"])
    counts.notes += len(true)
    a, b = np.array(heads).reshape(-1, 2), np.array(true).reshape(-1, 2)
    away = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    rows, cols = linear_sum_assignment(np.minimum(away, _NOTE_SPACES * space))
    right = {int(r) for r, c in zip(rows, cols, strict=True) if away[r, c] < _NOTE_SPACES * space}
    counts.notes_found += len(right)
    counts.leaks += sum(
        k not in right and _inside(head, [sign.box for sign in signs]) for k, head in enumerate(heads)
    )
    counts.notes_as_signs += sum(_inside(note, false) for note in true)


def _inside(place: tuple[float, float], boxes: Sequence[Edges]) -> bool:
    return any(b[0] <= place[0] <= b[2] and b[1] <= place[1] <= b[3] for b in boxes)


def figures(counts: Counts) -> dict[str, Any]:
    """Ratios of a kind's counts; 1 where there is nothing to find."""
    recall = counts.hits / counts.true if counts.true else 1.0
    precision = counts.hits / counts.found if counts.found else 1.0
    stated = np.array([p for p, _ in counts.outcomes])
    right = np.array([r for _, r in counts.outcomes], dtype=np.float64)
    bins = reliability(stated, right) if len(stated) else []
    wrong = Counter({k: n for k, n in counts.by_name.items() if k[0] != k[1] and all(k)})
    names = sorted({true for true, _ in counts.by_name if true})
    return {
        "pages": counts.pages,
        "signs": counts.true,
        "recall": recall,
        "precision": precision,
        "f1": 2 * recall * precision / max(1e-9, recall + precision),
        "name_accuracy": counts.named / max(1, counts.hits),
        "calibration_error": sum(n * abs(p - share) for p, share, n in bins) / max(1, len(stated)),
        "rows_right": counts.rows_right / max(1, counts.rows),
        "layer_accuracy": counts.layers_right / max(1, counts.hits),
        "leak_into_melody": counts.leaks / max(1, counts.true),
        "notes_taken_for_signs": counts.notes_as_signs / max(1, counts.notes),
        "melody_recall": counts.notes_found / counts.notes if counts.notes else None,
        "notes_with_pitch": counts.pitched,
        "named_right": {
            name: f"{counts.by_name[name, name]}/"
            f"{sum(n for (true, _), n in counts.by_name.items() if true == name)}"
            for name in names
        },
        "confusions": [f"{true} read as {read}: {n}" for (true, read), n in wrong.most_common(12)],
        "reliability": [[round(float(p), 3), round(float(share), 3), int(n)] for p, share, n in bins],
    }


def measure_leaf(scans: Path, model: LoadedModel) -> dict[str, Any] | None:
    """Figures of the boxed real leaf, which was looked at while drawing was designed; None if absent."""
    picture = scans / f"{_LEAF}.jpg"
    if not picture.is_file():
        return None
    (scan,) = read_scans(picture)
    page = read_page(scan, ReadSettings(), model)
    with (scans / f"{_LEAF}.boxes.csv").open(encoding="utf-8") as file:
        boxes = list(csv.DictReader(file))
    true = [tuple(float(row[name]) for name in ("y0", "x0", "y1", "x1")) for row in boxes]
    found = signs_of(page)
    same = {j: k for k, j in pairs([s.box for s in found], true)}  # type: ignore[arg-type]
    named = [(j, k) for j, k in same.items() if boxes[j]["name"]]
    meant = {j: boxes[j]["name"].removesuffix(" with episema") for j, _ in named}
    meant = {j: "letter" if name == "significative letter" else name for j, name in meant.items()}
    return {
        "boxes": len(boxes),
        "recall": len(same) / len(boxes),
        "signs_found": len(found),
        "names": f"{sum(meant[j] == found[k].name for j, k in named)} of {len(named)} named boxes found",
        "read_as": [f"{meant[j]}: {found[k].name}" for j, k in sorted(named)],
        "staves_with_lines": sum(bool(staff.lines) for staff in page.staves),
        "notes_with_degree": sum(r.pitch is not None and r.pitch.degree is not None for r in page.readings),
    }


def run(pages: int, out: Path, model: LoadedModel, kinds: Sequence[str] = KINDS) -> dict[str, Any]:
    """Draw, read and measure; the pages read are kept in `out`."""
    results = {}
    for kind in kinds:
        counts = Counts()
        (out / kind).mkdir(parents=True, exist_ok=True)
        for number in range(pages):
            seed = page_seed(1, "test", _FIRST + 1000 * DRAWN.index(kind) + number)
            rendered = render_page(seed, kind)
            stored = out / kind / f"{rendered.page.page_id}.page.json"
            if not stored.exists():
                save_page(_read(rendered, model), stored)
            count_page(counts, load_page(stored), rendered.page, rendered.signs)
        results[kind] = figures(counts)
    return results


def _read(rendered: Rendered, model: LoadedModel) -> Page:
    truth = rendered.page
    return read_page(Scan(truth.page_id, rendered.rgb, truth.source, "0" * 64), ReadSettings(), model)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Measure the reading of staffless signs on whole pages.")
    parser.add_argument("--pages", type=int, default=100, help="of each kind (default 100)")
    parser.add_argument("--out", type=Path, required=True, help="folder for the pages read and the figures")
    parser.add_argument("--model", default=DEFAULT)
    parser.add_argument("--scans", type=Path, default=Path("../shared/scans"), help="folder of real leaves")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    model = load(options.model, threads=1)
    results = run(options.pages, options.out, model)
    results["real leaf"] = measure_leaf(options.scans, model)
    text = json.dumps(results, indent=1)
    (options.out / "figures.json").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
