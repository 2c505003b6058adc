"""Speed and memory of whole-page reading, as ratios measured within one run.

    python tests/benchmark.py [FILE ...]

Without files it takes the real leaves beside the checkout, or draws pages where there are
none. Ratios travel between machines, seconds do not; nothing here is a test.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[1]
REPEATS = 3
COPIES = 8
"""Pages of the run that measures pages per minute."""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(name) for name in sys.argv[1:]] or _pages(Path(folder))
        result = {
            "processors": len(os.sched_getaffinity(0)),
            "pages": {file.name: _one_page(file, Path(folder)) for file in files},
            "many": _many_pages(files[0], Path(folder)),
        }
    print(json.dumps(result, indent=2))


def _pages(folder: Path) -> list[Path]:
    real = sorted((ROOT.parent / "shared/scans").glob("*.jpg"))
    if real:
        return real
    from neumary_synth.render import render_many

    return render_many(3, folder / "drawn", seed=1, kind="square")


def _median_s(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def _one_page(file: Path, folder: Path) -> dict[str, float | str]:
    """One page in a fresh process with one thread, so that its memory is its own."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        read_s, decode_s, peak_mib = pool.apply(_timed, (str(file), str(folder / "out")))
    row: dict[str, float | str] = {
        "decode_ms": round(decode_s * 1e3, 1),
        "read_ms": round(read_s * 1e3, 1),
        "read / decode": round(read_s / decode_s, 1),
        "peak_mib": round(peak_mib),
    }
    tesseract = shutil.which("tesseract")
    if tesseract is None:
        row["read / tesseract"] = "not measured: tesseract is not installed"
        return row
    command = [tesseract, str(file), "-", "-l", "lat" if _has_latin(tesseract) else "eng"]
    environment = {**os.environ, "OMP_THREAD_LIMIT": "1"}
    text_s = _median_s(lambda: subprocess.run(command, env=environment, capture_output=True, check=True))
    row["read / tesseract"] = round(read_s / text_s, 2)
    return row


def _has_latin(tesseract: str) -> bool:
    listed = subprocess.run([tesseract, "--list-langs"], capture_output=True, text=True, check=True)
    return "lat" in listed.stdout.split()


def _timed(name: str, out: str) -> tuple[float, float, float]:
    import cv2
    import numpy as np

    from neumary.batch import Run
    from neumary.ledger import WorkKey
    from neumary.scan import find_pages
    from neumary.settings import ReadSettings
    from neumary.worker import Task, read_to_files

    cv2.setNumThreads(1)
    stamp = Run(Path(out), ReadSettings()).model()
    key = WorkKey("", "", stamp.name, stamp.sha256)
    task = Task(find_pages(Path(name))[0], key, Path(out), ReadSettings(), threads=1)

    def read() -> None:
        outcome = read_to_files(task)
        if outcome.error:
            raise outcome.error

    read()  # loads the model and fills the caches
    data = np.fromfile(name, np.uint8)
    decode_s = _median_s(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR))
    read_s = _median_s(read)
    return read_s, decode_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _many_pages(file: Path, folder: Path) -> dict[str, float]:
    """Pages per minute with one and with two workers, start-up and ledger included."""
    from neumary.batch import Run, read_all
    from neumary.inputs import list_inputs
    from neumary.settings import ReadSettings

    leaves = folder / "leaves"
    leaves.mkdir()
    for n in range(COPIES):
        shutil.copy(file, leaves / f"{n}{file.suffix}")
    row = {}
    for jobs in (1, 2):
        began = time.perf_counter()
        report = read_all(list_inputs([leaves]), Run(folder / f"jobs{jobs}", ReadSettings(), jobs))
        assert report.count("read") == COPIES, report.failures
        row[f"pages_per_min_{jobs}"] = round(COPIES / (time.perf_counter() - began) * 60, 1)
    row["gain"] = round(row["pages_per_min_2"] / row["pages_per_min_1"], 2)
    return row


if __name__ == "__main__":
    main()
