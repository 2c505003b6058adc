"""Runs over many pages: nothing lost, nothing doubled, nothing half-written, whatever goes wrong."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import stand_ins

from neumary.batch import BatchReport, Run, preview, read_all
from neumary.errors import ExitCode, ModelError, OutputError
from neumary.executor import InProcess, LocalProcesses
from neumary.inputs import list_inputs
from neumary.ledger import Ledger, LedgerRow, running_alone
from neumary.settings import ReadSettings
from neumary.store import load_page, save_page
from neumary.worker import PAGE_FILES, Reader, Task, read_to_files

Make = Callable[..., Path]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"


def _read(out: Path, *names: Path, reader: Reader = stand_ins.read_quickly, **options: object) -> BatchReport:
    settings = options.pop("settings", ReadSettings())
    run = Run(out, settings, reader=reader, **options)
    return read_all(
        list_inputs(names), run, executor=InProcess(read_to_files) if "jobs" not in options else None
    )


def _rows(out: Path) -> dict[str, LedgerRow]:
    with Ledger(out, read_only=True) as ledger:
        return {row.page_id: row for row in ledger.rows()}


def _results(report: BatchReport) -> dict[str, str]:
    return {page.page_id: page.result for page in report.pages}


def _assert_whole(out: Path) -> None:
    """Every folder holds a page's four files and nothing half-written lies about."""
    for folder in out.iterdir():
        if folder.is_dir():
            assert {path.name for path in folder.iterdir()} == set(PAGE_FILES), folder
    assert not [path.name for path in out.iterdir() if path.name.endswith((".part", ".old"))]


# --- going on where it stopped ------------------------------------------------------


def test_every_page_has_its_files_and_its_row(out: Path, picture: Make) -> None:
    report = _read(out, picture("a.jpg", 1), picture("b.png", 2))
    assert report.exit_code() == ExitCode.OK
    assert _results(report) == {"a": "read", "b": "read"}
    _assert_whole(out)
    assert (out / "index.html").is_file()
    row = _rows(out)["a"]
    assert (row.state, row.attempts, row.error) == ("done", 1, "")
    assert (row.counts.staves, row.counts.notes) == (1, 1)
    assert load_page(out / "a/page.json").sha256 == row.source_sha256


def test_second_run_reads_nothing_and_counts_everything(out: Path, picture: Make) -> None:
    names = [picture("a.jpg", 1), picture("b.jpg", 2)]
    _read(out, *names)
    before = {path: path.stat().st_mtime_ns for path in out.glob("*/*")}
    report = _read(out, *names)
    assert (report.count("already"), report.count("read")) == (2, 0)
    assert report.exit_code() == ExitCode.OK
    assert before == {path: path.stat().st_mtime_ns for path in out.glob("*/*")}


@pytest.mark.parametrize("change", ["image", "settings", "file gone"])
def test_what_changed_is_read_again(out: Path, picture: Make, change: str) -> None:
    names = [picture("a.jpg", 1), picture("b.jpg", 2)]
    _read(out, *names)
    settings = ReadSettings(lines="4") if change == "settings" else ReadSettings()
    if change == "image":
        picture("a.jpg", 99)
    if change == "file gone":
        (out / "a/page.mei").unlink()
    report = _read(out, *names, settings=settings)
    assert _results(report)["a"] == "read"
    assert _results(report)["b"] == ("read" if change == "settings" else "already")
    assert _rows(out)["a"].attempts == 2
    _assert_whole(out)


def test_pages_corrected_by_hand_are_never_replaced(out: Path, picture: Make) -> None:
    name = picture("a.jpg")
    _read(out, name)
    page = load_page(out / "a/page.json")
    mine = msgspec.structs.replace(page.readings[0], by="human", label="virga", confidence=1.0)
    save_page(msgspec.structs.replace(page, readings=(*page.readings, mine)), out / "a/page.json")
    report = _read(out, name, settings=ReadSettings(lines="4"))
    assert _results(report) == {"a": "kept"}
    assert load_page(out / "a/page.json").current()["g0001"].label == "virga"


def test_same_input_same_bytes(out: Path, picture: Make) -> None:
    name = picture("a.jpg")
    _read(out, name)
    first = {path.name: path.read_bytes() for path in (out / "a").iterdir()}
    shutil.rmtree(out)
    _read(out, name)
    assert first == {path.name: path.read_bytes() for path in (out / "a").iterdir()}


# --- page ids -----------------------------------------------------------------------


def test_equal_stems_get_ids_of_their_own(out: Path, picture: Make, tmp_path: Path) -> None:
    names = [picture(f"{folder}/f1.{suffix}", n) for n, (folder, suffix) in enumerate(
        [("a", "jpg"), ("a", "png"), ("b", "jpg"), ("b", "JPG"), ("c", "jpg")]
    )]  # fmt: skip
    names.append(picture("d/f1-2.jpg", 9))
    report = _read(out, *names)
    ids = [page.page_id for page in report.pages]
    assert ids == ["f1", "f1-3", "f1-4", "f1-5", "f1-6", "f1-2"]
    for page, name in zip(report.pages, names, strict=True):
        assert load_page(out / page.page_id / "page.json").source == str(name)


def test_an_id_once_given_is_never_taken_over(out: Path, picture: Make) -> None:
    late, early = picture("b/f1.jpg", 1), picture("a/f1.jpg", 2)
    _read(out, late)
    report = _read(out, early, late)
    assert {page.source: page.page_id for page in report.pages} == {str(late): "f1", str(early): "f1-2"}
    assert _results(report) == {"f1": "already", "f1-2": "read"}


def test_a_moved_folder_of_pictures_is_not_read_again(out: Path, picture: Make, tmp_path: Path) -> None:
    picture("old/f1.jpg", 1)
    _read(out, tmp_path / "old")
    (tmp_path / "old").rename(tmp_path / "new")
    assert _results(_read(out, tmp_path / "new")) == {"f1": "already"}


@pytest.mark.parametrize(
    ("name", "page_id"), [("index.html.jpg", "index.html_"), ("Ä b.jpg", "Ä b"), ("a:b.jpg", "a_b")]
)
def test_odd_names_make_safe_folders(out: Path, picture: Make, name: str, page_id: str) -> None:
    report = _read(out, picture(name))
    assert _results(report) == {page_id: "read"}
    assert (out / "index.html").is_file()


def test_each_page_of_a_multi_page_file(out: Path, tmp_path: Path) -> None:
    from PIL import Image

    leaves = [Image.new("RGB", (60, 80), colour) for colour in ("white", "grey", "tan")]
    leaves[0].save(tmp_path / "book.tif", save_all=True, append_images=leaves[1:])
    assert set(_results(_read(out, tmp_path / "book.tif"))) == {"book-p0001", "book-p0002", "book-p0003"}
    assert len(_rows(out)) == 3
    assert load_page(out / "book-p0003/page.json").page_id == "book-p0003"


# --- faults -------------------------------------------------------------------------


def test_bad_files_cost_themselves_alone(out: Path, picture: Make, tmp_path: Path) -> None:
    (tmp_path / "letter.jpg").write_text("Dear colleague")
    cut = picture("cut.jpg")
    cut.write_bytes(cut.read_bytes()[:-200])
    report = _read(out, picture("a.jpg"), tmp_path / "letter.jpg", cut, tmp_path / "nowhere.jpg")
    assert _results(report) == {"a": "read", "letter": "failed", "cut": "failed", "nowhere": "failed"}
    assert report.exit_code() == ExitCode.SOME_FAILED
    assert _rows(out)["cut"].error_class == "ScanError"
    assert "cut short" in _rows(out)["cut"].error
    _assert_whole(out)


def test_nothing_readable_at_all(out: Path, tmp_path: Path) -> None:
    assert _read(out, tmp_path / "nowhere.jpg").exit_code() == ExitCode.NO_INPUT
    (tmp_path / "empty").mkdir()
    assert _read(out, tmp_path / "empty").exit_code() == ExitCode.NO_INPUT


def test_a_fault_of_the_program_is_named_and_survived(out: Path, picture: Make) -> None:
    report = _read(out, picture("bad.jpg", 1), picture("good.jpg", 2), reader=stand_ins.raise_on_bad)
    assert _results(report) == {"bad": "failed", "good": "read"}
    assert "ZeroDivisionError" in _rows(out)["bad"].error
    assert "ZeroDivisionError" in report.pages[0].trace
    again = _read(out, *[Path(page.source) for page in report.pages])
    assert _results(again) == {"bad": "read", "good": "already"}


# On a busy machine a worker may take seconds to start: only what hangs needs a short limit.
@pytest.mark.parametrize(("fault", "limit_s"), [("die", 60.0), ("hang", 4.0)])
def test_a_dead_worker_costs_its_page_alone(out: Path, picture: Make, fault: str, limit_s: float) -> None:
    names = [picture(name, n) for n, name in enumerate(["bad1.jpg", "a.jpg", "bad2.jpg", "b.jpg", "c.jpg"])]
    reader = stand_ins.die_on_bad if fault == "die" else stand_ins.hang_on_bad
    report = _read(out, *names, reader=reader, jobs=2, page_limit_s=limit_s)
    expected = {"bad1": "failed", "bad2": "failed", "a": "read", "b": "read", "c": "read"}
    assert _results(report) == expected
    rows = _rows(out)
    assert rows["bad1"].error_class == "WorkerDied"
    assert ("died" if fault == "die" else "longer than") in rows["bad1"].error
    _assert_whole(out)


def test_full_disk_ends_the_run_and_keeps_the_books(
    out: Path, picture: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> None:
        raise OutputError(f"{path} could not be written: no space left on device.", "Make room.")

    monkeypatch.setattr("neumary.store.write_bytes", full)
    with pytest.raises(OutputError, match="no space left"):
        _read(out, picture("a.jpg", 1), picture("b.jpg", 2))
    assert [row.state for row in _rows(out).values()] == ["failed", "waiting"]
    monkeypatch.undo()
    assert _read(out, picture("a.jpg", 1), picture("b.jpg", 2)).count("read") == 2
    _assert_whole(out)


def test_out_that_is_a_file(tmp_path: Path, picture: Make) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(OutputError, match="cannot be made a folder"):
        _read(tmp_path / "out", picture("a.jpg"))


def test_missing_model_stops_before_anything_is_written(out: Path, picture: Make) -> None:
    run = Run(out, ReadSettings(model="no-such-model"))
    with pytest.raises(ModelError):
        read_all(list_inputs([picture("a.jpg")]), run)
    assert not out.exists()


def test_leftovers_of_a_killed_run_are_cleared(out: Path, picture: Make) -> None:
    """Killed between the two renames, and with a page marked as in flight."""
    name = picture("a.jpg")
    _read(out, name)
    before = (out / "a/page.json").read_bytes()
    (out / "a").rename(out / ".a.old")
    (out / ".b.123.part").mkdir()
    (out / ".index.html.123-456.part").write_text("<html>")
    with sqlite3.connect(out / "ledger.sqlite") as ledger:
        ledger.execute(
            "INSERT INTO pages (page_id, source, frame, state) VALUES ('b', '/gone.jpg', 0, 'reading')"
        )
    ledger.close()
    assert _results(_read(out, name)) == {"a": "already"}
    assert (out / "a/page.json").read_bytes() == before
    assert _rows(out)["b"].state == "waiting"
    _assert_whole(out)


# --- two at once, and stopping ------------------------------------------------------


def test_two_runs_on_one_folder(out: Path, picture: Make) -> None:
    out.mkdir()
    with running_alone(out), pytest.raises(OutputError, match="Another run"):
        _read(out, picture("a.jpg"))
    assert _read(out, picture("a.jpg")).exit_code() == ExitCode.OK


def test_status_can_be_asked_while_a_run_is_on(out: Path, picture: Make) -> None:
    seen: list[str] = []
    inputs = list_inputs([picture("a.jpg", 1), picture("b.jpg", 2)])
    run = Run(out, ReadSettings(), reader=stand_ins.read_quickly)
    executor = InProcess(read_to_files)
    read_all(inputs, run, on_page=lambda _: seen.append(_rows(out)["b"].state), executor=executor)
    assert seen == ["waiting", "done"]


def test_the_overview_keeps_pace_with_a_long_run(
    out: Path, picture: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("neumary.batch.OVERVIEW_EVERY_S", 0.0)
    seen: list[bool] = []

    def look(_: object) -> None:
        index = out / "index.html"
        seen.append(index.is_file() and "a/overlay.jpg" in index.read_text())

    inputs = list_inputs([picture(f"{name}.jpg", n) for n, name in enumerate("abc")])
    run = Run(out, ReadSettings(), reader=stand_ins.read_quickly)
    read_all(inputs, run, on_page=look, executor=InProcess(read_to_files))
    assert seen == [False, True, True]


SCRIPT = """
    import signal, sys
    from pathlib import Path
    sys.path.insert(0, sys.argv[1])
    import stand_ins
    from neumary.batch import Run, read_all
    from neumary.inputs import list_inputs
    from neumary.settings import ReadSettings
    if __name__ == "__main__":
        signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore it
        run = Run(Path(sys.argv[3]), ReadSettings(), jobs=2, reader=stand_ins.read_slowly)
        inputs = list_inputs([sys.argv[2]])
        report = read_all(inputs, run, on_page=lambda page: print(page.page_id, flush=True))
        sys.exit(int(report.exit_code()))
"""


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGKILL])
def test_interrupted_run_goes_on_later(
    out: Path, picture: Make, tmp_path: Path, ending: signal.Signals
) -> None:
    for n in range(8):
        picture(f"leaves/f{n}.jpg", n)
    script = tmp_path / "run.py"
    script.write_text(textwrap.dedent(SCRIPT))
    fakes = Path(__file__).parent / "fakes"
    command = [sys.executable, str(script), str(fakes), str(tmp_path / "leaves"), str(out)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()  # one page is done, others are in flight
        os.kill(process.pid, ending)
        process.wait(timeout=60)
    assert process.returncode == (130 if ending == signal.SIGINT else -9)
    states = [row.state for row in _rows(out).values()]
    assert "done" in states
    assert "failed" not in states
    if ending == signal.SIGINT:
        assert "reading" not in states
        _assert_whole(out)
    report = _read(out, tmp_path / "leaves")
    assert report.count("already") >= 1
    assert report.count("already") + report.count("read") == 8
    _assert_whole(out)


def test_a_worker_that_dies_while_idle_is_replaced(picture: Make, out: Path) -> None:
    import time
    from multiprocessing import active_children

    before = set(active_children())
    workers: LocalProcesses[int, int] = LocalProcesses(abs, 1)
    try:
        workers.submit(-1)
        assert workers.collect() == (-1, 1)
        (worker,) = set(active_children()) - before
        os.kill(worker.pid or 0, signal.SIGKILL)
        time.sleep(0.3)  # until the pool has noticed
        workers.submit(-2)
        assert workers.collect() == (-2, 2)
    finally:
        workers.close()


# --- the rest -----------------------------------------------------------------------


def test_preview_touches_nothing(out: Path, picture: Make) -> None:
    done, new = picture("a.jpg", 1), picture("b.jpg", 2)
    run = Run(out, ReadSettings(), reader=stand_ins.read_quickly)
    assert [state for _, state in preview(list_inputs([new]), run)] == ["read"]
    assert not out.exists()
    _read(out, done)
    before = (out / "ledger.sqlite").read_bytes()
    assert [state for _, state in preview(list_inputs([done, new]), run)] == ["already", "read"]
    assert (out / "ledger.sqlite").read_bytes() == before


def test_repairs_count_only_when_strict(out: Path, tmp_path: Path) -> None:
    import numpy as np
    from PIL import Image

    ramp = np.linspace(0, 4095, 64 * 64).reshape(64, 64).astype(np.uint16)
    Image.fromarray(ramp).save(tmp_path / "twelve-bit.tif")
    report = _read(out, tmp_path / "twelve-bit.tif")
    assert report.pages[0].counts.repairs == 1
    assert report.exit_code() == ExitCode.OK
    assert report.exit_code(strict=True) == ExitCode.SOME_FAILED
    assert _read(out, tmp_path / "twelve-bit.tif").exit_code(strict=True) == ExitCode.SOME_FAILED


def test_workers_leave_with_their_parent(picture: Make, out: Path) -> None:
    from multiprocessing import active_children

    before = set(active_children())
    workers: LocalProcesses[Task, object] = LocalProcesses(read_to_files, 1)
    (page,) = preview(
        list_inputs([picture("bad.jpg")]), Run(out, ReadSettings(), reader=stand_ins.hang_on_bad)
    )
    from neumary.ledger import WorkKey

    workers.submit(
        Task(page[0].ref, WorkKey("", "", "", ""), out, ReadSettings(), reader=stand_ins.hang_on_bad)
    )
    assert set(active_children()) - before
    workers.close()
    assert not set(active_children()) - before
