"""The evaluation of a model: unseen rendered hands and real leaves through the whole pipeline.

``python -m neumary_training.evaluation --pages 8 --out build/evaluation`` draws pages by seeds that
training never uses, reads them from their files, scores them, and writes ``EVALUATION.md``, figures as
JSON, a report with pictures (``report.html``) and a sheet of the worst places (``failures.jpg``).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import cv2

from neumary.metrics import PageScore
from neumary.score import score_pages
from neumary.score_html import write_html
from neumary.types import Page
from neumary_training.baselines import Pieces, learn_pieces, read_by_pieces
from neumary_training.evaluation_leaves import measure_leaves
from neumary_training.evaluation_pages import Case, be_polite, plan_leaves, run_cases
from neumary_training.evaluation_report import figures, write_report
from neumary_training.evaluation_results import GROUPS, draw_gallery, evaluate_cases, worst_places

_SCANS: Final = Path(__file__).parents[3] / "shared" / "scans"
_BASELINE_TRAINING_PAGES: Final = 15


def read_baseline(cases: Sequence[Case], jobs: int) -> PageScore:
    """The classical reader on the full staves, given the staves found by ours."""
    kinds = GROUPS["full staves"]
    pieces = learn_pieces(_BASELINE_TRAINING_PAGES, kinds)
    chosen = [case for case in cases if case.leaf.kind in kinds]
    task = partial(_read_one, pieces=pieces)
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=be_polite) as pool:
        read = {page.page_id: page for page in pool.map(task, chosen)}
    return score_pages(read, {case.truth.page_id: case.truth for case in chosen}).total


def _read_one(case: Case, pieces: Pieces) -> Page:
    return read_by_pieces(case.picture, case.read.staves, pieces)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the evaluation from the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pages", type=int, default=8, help="pages of each kind (default 8)")
    parser.add_argument(
        "--out", type=Path, default=Path("build/evaluation"), help="folder for pages and figures"
    )
    parser.add_argument("--report", type=Path, default=Path("EVALUATION.md"), help="where the report goes")
    parser.add_argument("--model", default="", help="name of a model, or file (default: the shipped one)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--scans", type=Path, default=_SCANS, help="folder of real leaves")
    parser.add_argument("--keep-drawn", action="store_true", help="use pages drawn by an earlier run")
    parser.add_argument("--no-baseline", action="store_true", help="leave the classical reader out")
    given = parser.parse_args(arguments)
    cases = run_cases(
        plan_leaves(given.pages), given.out, jobs=given.jobs, model=given.model, redraw=not given.keep_drawn
    )
    leaves = measure_leaves(given.scans, given.model)
    baseline = None if given.no_baseline else read_baseline(cases, given.jobs)
    found = evaluate_cases(cases, given.pages, given.model, leaves, baseline)
    (given.out / "figures.json").write_text(json.dumps(figures(found), indent=1), encoding="utf-8")
    gallery = draw_gallery(worst_places(found.culprits), cases)
    cv2.imwrite(str(given.out / "failures.jpg"), cv2.cvtColor(gallery, cv2.COLOR_RGB2BGR))
    everything = score_pages(
        {case.truth.page_id: case.read for case in cases}, {case.truth.page_id: case.truth for case in cases}
    )
    write_html(everything, {case.truth.page_id: case.picture for case in cases}, given.out / "report.html")
    given.report.write_text(write_report(found), encoding="utf-8")
    print(f"{given.report} and {given.out / 'report.html'} written.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
