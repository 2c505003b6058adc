"""Speed and memory of whole-page reading, as ratios measured within one run.

    python tests/benchmark.py [--quick] [FILE ...]

Without files it takes the real leaves beside the checkout, or draws pages where there are
none. Ratios travel between machines, seconds do not; nothing here is a test. What runs with
one thread is told in processor time, so that what else the machine does hardly counts. By the
clock go the runs at their defaults, which share out one page over all cores, and pages per
minute, of one worker process and of two: measure those on a machine with nothing else to do.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

ROOT = Path(__file__).parents[1]
LEAVES = ("antiphoner_f001r.jpg", "songbook_f033.jpg")
REPEATS = 3
COPIES = 8
"""Pages of the run that measures pages per minute."""
GOALS = {
    "read / decode": "<= 12",
    "tesseract / read": ">= 5",
    "tesseract / read, defaults": ">= 15",
    "pages/min of 2 jobs / 1 job": ">= 1.8",
    "start-up (s)": "<= 0.3",
    "peak (MiB)": "<= 700",
}


def main() -> None:
    """Measure, print tables for people on standard error and JSON on standard output."""
    words = [word for word in sys.argv[1:] if word != "--quick"]
    repeats = 1 if "--quick" in sys.argv else REPEATS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = [Path(word) for word in words] or _pages(folder)
        result: dict[str, Any] = {
            "processors": len(os.sched_getaffinity(0)),
            "load before": round(os.getloadavg()[0], 2),
            "goals": GOALS,
            "start-up (s)": round(min(_command_s(_HELP) for _ in range(5)), 3),
            "pages": {file.name: _one_page(file, folder, repeats) for file in files},
            "many": _many_pages(files[0], folder),
        }
    for page, row in result["pages"].items():
        _table(page, row)
    print(json.dumps(result, indent=2))


def _pages(folder: Path) -> list[Path]:
    real = [ROOT.parent / "shared/scans" / name for name in LEAVES]
    if all(path.is_file() for path in real):
        return real
    from neumary_synth.render import render_many

    return render_many(2, folder / "drawn", seed=1, kind="square")


_HELP = [sys.executable, "-m", "neumary", "--help"]


def _command_s(command: list[str]) -> float:
    """Processor seconds of a command with one thread."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "OMP_THREAD_LIMIT": "1"}
    subprocess.run(command, env=environment, capture_output=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _fastest_s(
    work: Callable[[], object], repeats: int, clock: Callable[[], float] = time.process_time
) -> float:
    """Seconds of the quickest of several runs: neighbours in the cache only ever add."""
    times = []
    for _ in range(repeats):
        began = clock()
        work()
        times.append(clock() - began)
    return min(times)


def _one_page(file: Path, folder: Path, repeats: int) -> dict[str, Any]:
    """One page in fresh processes with one thread, so that its memory is its own."""
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        stages = pool.apply(_stages, (str(file), repeats))
    with context.Pool(1) as pool:  # the yardstick: nothing of ours has touched this process
        decode_s, megapixels = pool.apply(_decode, (str(file), repeats))
    with context.Pool(1) as pool:
        read_s, peak_mib = pool.apply(_whole, (str(file), str(folder / "out"), repeats))
    with context.Pool(1) as pool:
        default_s = pool.apply(_at_default, (str(file), str(folder / "out"), repeats))
    row: dict[str, Any] = {
        "megapixels": round(megapixels, 1),
        "decode (ms)": round(decode_s * 1e3, 1),
        "read (ms)": round(read_s * 1e3, 1),
        "read / decode": round(read_s / decode_s, 1),
        "read, defaults, by the clock (ms)": round(default_s * 1e3, 1),
        "peak (MiB)": round(peak_mib),
        "stages (ms)": {name: round(seconds * 1e3, 1) for name, seconds in stages.items()},
    }
    tesseract = shutil.which("tesseract")
    if tesseract is None:
        for name in ("tesseract / read", "tesseract / read, defaults"):
            row[name] = "not measured: tesseract is not installed"
        return row
    command = [tesseract, str(file), "-", "-l", "lat" if _has_latin(tesseract) else "eng"]
    text_s = min(_command_s(command) for _ in range(repeats))
    free = {name: value for name, value in os.environ.items() if not name.startswith("OMP_")}
    text_default_s = _fastest_s(
        lambda: subprocess.run(command, env=free, capture_output=True, check=True), repeats, time.perf_counter
    )
    row["tesseract (ms)"] = round(text_s * 1e3)
    row["tesseract, defaults, by the clock (ms)"] = round(text_default_s * 1e3)
    row["tesseract / read"] = round(text_s / read_s, 2)
    row["tesseract / read, defaults"] = round(text_default_s / default_s, 2)
    return row


def _has_latin(tesseract: str) -> bool:
    listed = subprocess.run([tesseract, "--list-langs"], capture_output=True, text=True, check=True)
    return "lat" in listed.stdout.split()


def _reader(name: str, out: str, threads: int) -> Callable[[], None]:
    """A whole read of one page with all its files written, ready to be repeated."""
    import cv2

    from neumary.batch import Run
    from neumary.ledger import WorkKey
    from neumary.scan import find_pages
    from neumary.settings import ReadSettings
    from neumary.worker import Task, read_to_files

    cv2.setNumThreads(threads)
    stamp = Run(Path(out), ReadSettings()).model()
    key = WorkKey("", "", stamp.name, stamp.sha256)
    task = Task(find_pages(Path(name))[0], key, Path(out), ReadSettings(), threads=threads)

    def read() -> None:
        outcome = read_to_files(task)
        if outcome.error:
            raise outcome.error

    read()  # loads the model and fills the caches
    return read


def _decode(name: str, repeats: int) -> tuple[float, float]:
    """Seconds of the bare colour decoding with one thread, and megapixels."""
    import cv2
    import numpy as np

    cv2.setNumThreads(1)
    data = np.fromfile(name, np.uint8)
    seconds = _fastest_s(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), 3 * repeats)
    height, width = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR)).shape[:2]
    return seconds, height * width / 1e6


def _whole(name: str, out: str, repeats: int) -> tuple[float, float]:
    """Seconds of a whole read with one thread, and the peak of its memory (MiB)."""
    seconds = _fastest_s(_reader(name, out, 1), repeats)
    return seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _at_default(name: str, out: str, repeats: int) -> float:
    """Seconds by the clock of a whole read as `neumary read FILE` does it: on every core."""
    read = _reader(name, out, len(os.sched_getaffinity(0)))
    return _fastest_s(read, 2 * repeats, time.perf_counter)


_WATCHED = {
    "scan: decode": ("neumary.worker", "load_scan"),
    "ink": ("neumary.ink", "map_ink"),
    "staves": ("neumary.staves", "find_staves"),
    "coloured lines": ("neumary.coloured", "recognise"),
    "strips": ("neumary.pipeline", "cut_strip"),
    "line removal": ("neumary.read", "erase_lines"),
    "network: input": ("neumary.read", "network_input"),
    "networks": ("neumary_models.zoo", "LoadedModel.run"),
    "words": ("neumary.pipeline", "find_words"),
    "candidates": ("neumary.pipeline", "find_candidates"),
    "choice": ("neumary.pipeline", "choose"),
    "placing": ("neumary.pipeline", "place"),
    "one staff each": ("neumary.pipeline", "_one_staff_each"),
    "decision": ("neumary.decide", "decide"),
    "pitches": ("neumary.pitch", "resolve_pitches"),
    "neumes": ("neumary.neumes", "group_neumes"),
    "syllables": ("neumary.pipeline", "place_syllables"),
    "page.json": ("neumary.store", "encode_page"),
    "page.mei": ("neumary.mei", "to_mei"),
    "page.xml": ("neumary.pagexml", "to_pagexml"),
    "overlay: drawing": ("neumary.overlay", "draw_overlay"),
    "overlay: JPEG": ("neumary.overlay", "encode_jpeg"),
    "overview: picture": ("neumary.report", "thumbnail_uri"),
    "files: writing": ("neumary.store", "write_bytes"),
}
"""Where the time of a page goes: functions timed from outside, each without the others it calls."""


def _stages(name: str, repeats: int) -> dict[str, float]:
    """Seconds of each stage within a whole read: the quickest run."""
    import importlib

    spent: dict[str, float] = {}
    for stage, (module_name, function) in _WATCHED.items():
        owner: Any = importlib.import_module(module_name)
        *classes, last = function.split(".")
        for inner in classes:
            owner = getattr(owner, inner, None)
        if hasattr(owner, last):
            setattr(owner, last, _timed(getattr(owner, last), stage, spent))
    runs = []
    with tempfile.TemporaryDirectory() as out:
        read = _reader(name, out, 1)
        for _ in range(repeats):
            spent.clear()
            began = time.process_time()
            read()
            runs.append((time.process_time() - began, dict(spent)))
    whole, found = min(runs, key=lambda run: run[0])
    order = [stage for stage in _WATCHED if stage in found]
    told = {stage: found[stage] for stage in order}
    return {**told, "the rest": whole - sum(told.values()), "whole": whole}


_inner: list[float] = []
"""Seconds that the timed functions now running have spent in other timed ones."""


def _timed(function: Callable[..., Any], stage: str, spent: dict[str, float]) -> Callable[..., Any]:
    def timed(*words: Any, **more: Any) -> Any:
        _inner.append(0.0)
        began = time.process_time()
        try:
            return function(*words, **more)
        finally:
            whole = time.process_time() - began
            spent[stage] = spent.get(stage, 0.0) + whole - _inner.pop()
            if _inner:
                _inner[-1] += whole

    return timed


def _table(page: str, row: dict[str, Any]) -> None:
    decode_ms = row["decode (ms)"]
    print(f"\n{page}: {row['megapixels']} megapixels, one thread", file=sys.stderr)
    for stage, spent_ms in row["stages (ms)"].items():
        print(f"  {stage:18} {spent_ms:8.1f} ms {spent_ms / decode_ms:6.2f} x decode", file=sys.stderr)
    for name in ("read / decode", "tesseract / read", "tesseract / read, defaults", "peak (MiB)"):
        print(f"  {name:26} {row[name]} (goal {GOALS[name]})", file=sys.stderr)


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
        row[f"pages/min of {jobs}"] = round(COPIES / (time.perf_counter() - began) * 60, 1)
    row["pages/min of 2 jobs / 1 job"] = round(row["pages/min of 2"] / row["pages/min of 1"], 2)
    return row


if __name__ == "__main__":
    main()
