"""Kill the run, or any of its processes, at any moment: afterwards the same command makes everything good."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from neumary.ledger import Ledger
from neumary.worker import PAGE_FILES

SCRIPT = """
    import sys
    from pathlib import Path
    sys.path.insert(0, sys.argv[1])
    import stand_ins
    from neumary.batch import Run, read_all
    from neumary.inputs import list_inputs
    from neumary.settings import ReadSettings
    if __name__ == "__main__":
        reader = getattr(stand_ins, sys.argv[4]) if sys.argv[4] else None
        run = Run(Path(sys.argv[3]), ReadSettings(), jobs=2, reader=reader)
        report = read_all(list_inputs([sys.argv[2]]), run)
        sys.exit(int(report.exit_code()))
"""
PAGES = 10


class _Command:
    """One and the same command over a folder of leaves, in processes of its own."""

    def __init__(self, tmp_path: Path, leaves: Path, reader: str) -> None:
        self._script = tmp_path / "run.py"
        self._script.write_text(textwrap.dedent(SCRIPT))
        self._said = tmp_path / "said.txt"
        self._leaves, self._reader = leaves, reader

    def start(self, out: Path) -> subprocess.Popen[bytes]:
        fakes = Path(__file__).parent / "fakes"
        words = [str(self._script), str(fakes), str(self._leaves), str(out), self._reader]
        environment = {**os.environ, "OMP_NUM_THREADS": "1"}
        with self._said.open("wb") as said:
            return subprocess.Popen([sys.executable, *words], env=environment, stdout=said, stderr=said)

    def said(self) -> str:
        """What the last run printed."""
        return self._said.read_text()

    def finish(self, out: Path) -> int:
        return self.start(out).wait(timeout=240)


def _below(pid: int) -> list[int]:
    """All living descendants of a process, by the kernel's own list."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = [int(child) for child in task.read_text().split()]
        except OSError:
            continue
        for child in children:
            found += [child, *_below(child)]
    return found


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def _is_pythons_own(pid: int) -> bool:
    """Python's tracker of shared memory: it does no work for us, and complains in its own way when killed."""
    try:
        return b"resource_tracker" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return True


def _content(out: Path) -> dict[str, bytes]:
    """Everything a reader of the folder sees: pages and overview, by path."""
    files = [*out.glob("*/*"), out / "index.html"]
    return {str(path.relative_to(out)): path.read_bytes() for path in files}


def _assert_as_undisturbed(out: Path, undisturbed: dict[str, bytes], pages: int) -> None:
    found = _content(out)
    assert sorted(found) == sorted(undisturbed)
    assert [name for name in found if found[name] != undisturbed[name]] == []
    assert len(found) == pages * len(PAGE_FILES) + 1
    assert not [path.name for path in out.iterdir() if path.name.endswith((".part", ".old"))]
    with Ledger(out, read_only=True) as ledger:
        rows = list(ledger.rows())
    assert [row.state for row in rows] == ["done"] * pages


def _disturb(
    command: _Command, tmp_path: Path, moments: int, longest_s: float, pages: int, seed: int
) -> None:
    """Kill so many runs, parent and workers in turn, and finish each; compare with a run left in peace."""
    calm = tmp_path / "calm/out"
    calm.parent.mkdir()
    began = time.monotonic()
    assert command.finish(calm) == 0
    longest_s = min(longest_s, 1.1 * (time.monotonic() - began))
    undisturbed = _content(calm)
    rng = np.random.default_rng(seed)
    out = tmp_path / "killed/out"
    out.parent.mkdir()
    killed = {"parent": 0, "worker": 0}
    for moment in range(moments):
        run = command.start(out)
        time.sleep(float(rng.uniform(0.15 * longest_s, longest_s)))
        family = _below(run.pid)
        workers = [pid for pid in family if not _is_pythons_own(pid)]
        whom = "worker" if moment % 2 and workers else "parent"
        victim = int(rng.choice(workers)) if whom == "worker" else run.pid
        if run.poll() is None:
            with suppress(ProcessLookupError):  # a worker may have ended since
                os.kill(victim, signal.SIGKILL)
                killed[whom] += 1
        code = run.wait(timeout=240)
        if whom == "parent":
            assert code in (-9, 0)
        else:  # the run goes on without the pages that were in flight
            assert code in (0, 1), command.said()
            assert "Traceback" not in command.said()
            with Ledger(out, read_only=True) as ledger:
                states = [row.state for row in ledger.rows()]
            assert states.count("failed") <= 2
            assert states.count("failed") + states.count("done") == pages
        deadline = time.monotonic() + 20
        while any(_is_alive(pid) for pid in family):
            assert time.monotonic() < deadline, "processes outlive the run"
            time.sleep(0.02)
        half = [
            folder for folder in out.glob("[!.]*/") if {p.name for p in folder.iterdir()} != set(PAGE_FILES)
        ]
        assert not half  # what has its name is whole, even before the next run
        if rng.random() < 0.5:  # else the next run is killed as well
            assert command.finish(out) == 0
            _assert_as_undisturbed(out, undisturbed, pages)
            shutil.rmtree(out)
    assert command.finish(out) == 0
    _assert_as_undisturbed(out, undisturbed, pages)
    assert killed["parent"] >= moments // 4
    assert killed["worker"] >= moments // 8


needs_proc = pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="finds workers in Linux' /proc")


@needs_proc
def test_six_kills(tmp_path: Path, picture: object) -> None:
    for n in range(PAGES):
        picture(f"leaves/f{n}.jpg", n)  # type: ignore[operator]
    command = _Command(tmp_path, tmp_path / "leaves", "read_steadily")
    _disturb(command, tmp_path, moments=6, longest_s=2.0, pages=PAGES, seed=3)


@needs_proc
@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("reader", "moments", "pages"), [("read_steadily", 50, PAGES), ("", 24, 4)])
def test_many_kills(tmp_path: Path, picture: object, reader: str, moments: int, pages: int) -> None:
    """With a stand-in for speed, and with the pipeline itself on small drawn pages."""
    if reader:
        for n in range(pages):
            picture(f"leaves/f{n}.jpg", n)  # type: ignore[operator]
    else:
        from PIL import Image

        from neumary_synth.render import render_many

        for drawn in render_many(pages, tmp_path / "drawn", seed=5, kind="square"):
            with Image.open(drawn) as image:
                image.thumbnail((900, 900))
                (tmp_path / "leaves").mkdir(exist_ok=True)
                image.save(tmp_path / "leaves" / drawn.name)
    command = _Command(tmp_path, tmp_path / "leaves", reader)
    _disturb(command, tmp_path, moments=moments, longest_s=12.0, pages=pages, seed=11)
