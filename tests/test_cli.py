"""The command line as a user meets it: exit codes, one-line errors, results and words kept apart."""

from __future__ import annotations

import functools
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import numpy as np
import pytest
import stand_ins
from PIL import Image

import neumary.batch
from neumary.cli import run
from neumary.commands import COMMANDS
from neumary.errors import ExitCode
from neumary.store import load_page
from neumary.worker import PAGE_FILES, Reader

Make = Callable[..., Path]
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def use(monkeypatch: pytest.MonkeyPatch) -> Callable[[Reader], None]:
    """Puts a stand-in where the pipeline belongs."""

    def use_reader(reader: Reader) -> None:
        monkeypatch.setattr(neumary.batch, "Run", functools.partial(neumary.batch.Run, reader=reader))

    return use_reader


@pytest.fixture
def quick(use: Callable[[Reader], None]) -> None:
    use(stand_ins.read_quickly)


def _call(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    code = run([str(argument) for argument in arguments])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    return code, said.out, said.err


# --- help and wrong use -------------------------------------------------------------


@pytest.mark.parametrize("command", ["", *[str(command.name) for command in COMMANDS]])
@pytest.mark.parametrize("option", ["-h", "--help"])
def test_help_everywhere(capsys: Capture, command: str, option: str) -> None:
    code, out, err = _call(capsys, *filter(None, [command]), option)
    assert (code, err) == (0, "")
    assert out.startswith("Usage: neumary")


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_every_option_says_what_it_does(command: click.Command) -> None:
    assert command.help
    options = [parameter for parameter in command.params if isinstance(parameter, click.Option)]
    assert all(option.help for option in options)
    assert {"--quiet", "--json", "--verbose"} <= {name for option in options for name in option.opts}


@pytest.mark.parametrize(
    "words",
    [
        ["frobnicate"],
        ["read"],
        ["read", "a.jpg"],
        ["read", "-o", "out"],
        ["read", "-o", "out", "--retry", "failed"],
        ["read", "a.jpg", "-o", "out", "--retry", "all"],
        ["read", "a.jpg", "-o", "out", "--lines", "6"],
        ["read", "a.jpg", "-o", "out", "--jobs", "0"],
        ["read", "a.jpg", "-o", "out", "--no-such-option"],
        ["render", "-o", "out", "--kind", "no-such-kind"],
        ["status", "no-such-folder"],
    ],
)
def test_wrong_use(
    capsys: Capture, words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = _call(capsys, *words)
    assert (code, out) == (ExitCode.USAGE, "")
    assert err
    assert not list(tmp_path.iterdir())


def test_version_and_module(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "neumary", "-V"], capture_output=True, text=True, check=True)
    assert done.stdout == f"neumary {neumary.__version__}\n"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from neumary.cli import run; run(['read', '-h']);"
        "heavy = {'numpy', 'cv2', 'scipy', 'onnxruntime', 'PIL', 'torch', 'rich'} & set(sys.modules);"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# --- reading ------------------------------------------------------------------------


@pytest.mark.usefixtures("quick")
def test_one_page_sums_itself_up(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    code, out, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    assert code == 0
    assert "Melody of staff s01: a3" in out  # degree 26: 24 is f3
    assert "1 staves, 1 notes" in out
    assert "Doubtful: 0 of 1 signs." in out
    assert str(tmp_path / "out/f1/overlay.jpg") in out
    assert str(tmp_path / "out/f1/page.mei") in out
    assert "draft" in out
    assert err.startswith("[1/1] f1: 1 staves, 1 notes, 0 doubtful")
    assert len(err.splitlines()) == 1


@pytest.mark.usefixtures("quick")
def test_quiet_and_json(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    names = [picture("f1.jpg", 1), picture("f2.jpg", 2)]
    code, out, err = _call(capsys, "read", *names, "-o", tmp_path / "out", "--json", "--quiet", "--jobs", 1)
    result = json.loads(out)
    assert (code, err) == (0, "")
    assert (result["exit_code"], result["read"], result["failed"]) == (0, 2, 0)
    assert [page["page_id"] for page in result["pages"]] == ["f1", "f2"]


def test_events_are_lines_of_json(
    capsys: Capture, picture: Make, tmp_path: Path, use: Callable[[Reader], None]
) -> None:
    use(stand_ins.raise_on_bad)
    names = [picture("bad.jpg", 1), picture("f2.jpg", 2), tmp_path / "nowhere.jpg"]
    code, out, err = _call(capsys, "read", *names, "-o", tmp_path / "out", "--json", "--jobs", 1)
    assert code == json.loads(out)["exit_code"] == ExitCode.SOME_FAILED
    events = [json.loads(line) for line in err.splitlines()]
    assert events[0] == {"event": "start", "pages": 3}
    pages = {event["page_id"]: event for event in events[1:]}
    assert {name: event["result"] for name, event in pages.items()} == {
        "bad": "failed",
        "f2": "read",
        "nowhere": "failed",
    }
    assert pages["f2"]["notes"] == 1
    assert pages["nowhere"]["error"]["class"] == "ScanError"
    assert pages["nowhere"]["error"]["exit_code"] == ExitCode.NO_INPUT
    assert pages["bad"]["error"]["advice"]


def test_only_failed_pages_again(
    capsys: Capture, picture: Make, tmp_path: Path, use: Callable[[Reader], None]
) -> None:
    use(stand_ins.raise_on_bad)
    out_folder = tmp_path / "out"
    names = [picture("bad1.jpg", 1), picture("bad2.jpg", 2), picture("good.jpg", 3)]
    assert _call(capsys, "read", *names, "-o", out_folder, "--jobs", 1)[0] == ExitCode.SOME_FAILED
    use(stand_ins.read_quickly)
    picture("new.jpg", 4)
    words = ["read", "-o", out_folder, "--retry", "failed", "--json", "--jobs", 1]
    code, out, _ = _call(capsys, *words, "--dry-run")
    assert [(row["page_id"], row["would"]) for row in json.loads(out)] == [("bad1", "read"), ("bad2", "read")]
    code, out, _ = _call(capsys, *words, names[1], tmp_path / "new.jpg")
    assert (code, [page["page_id"] for page in json.loads(out)["pages"]]) == (0, ["bad2"])
    code, out, _ = _call(capsys, *words)
    assert (code, [page["page_id"] for page in json.loads(out)["pages"]]) == (0, ["bad1"])
    code, out, err = _call(capsys, "read", "-o", out_folder, "--retry", "failed")
    assert (code, err) == (0, "No page has failed: nothing to do.\n")


@pytest.mark.usefixtures("quick")
def test_again_counts_what_is_done(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    code, out, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    assert code == 0
    assert "0 read, 1 done already" in out
    assert "done already" in err


@pytest.mark.usefixtures("quick")
def test_settings_reach_the_page(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    words = [
        "--lines",
        "4",
        "--repertoire",
        "song",
        "--flat-scope",
        "note",
        "--no-decide",
        "--only",
        "staves",
    ]
    _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out", *words)
    settings = load_page(tmp_path / "out/f1/page.json").provenance.settings
    assert settings == {
        "lines": "4",
        "notation": "auto",
        "repertoire": "song",
        "flat_scope": "note",
        "line_colours": "red=F yellow=C grey=C",
        "decide": False,
        "only": "staves",
        "model": "",
        "text": "",
        "text_sha256": "",
    }


@pytest.mark.usefixtures("quick")
def test_dry_run_lists_and_touches_nothing(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    code, out, _ = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out", "--dry-run")
    assert (code, out) == (0, f"f1\t{tmp_path / 'f1.jpg'}\tread\n")
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("quick")
def test_skipped_files_are_told_and_strict_minds(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    picture("leaves/f1.jpg")
    (tmp_path / "leaves/book.json").write_text(
        '{"@context": "http://iiif.io/api/presentation/3/context.json"}'
    )
    words = ["read", tmp_path / "leaves", "-o", tmp_path / "out"]
    code, _, err = _call(capsys, *words)
    assert code == 0
    assert "Skipped 1 files" in err
    assert _call(capsys, *words, "--strict")[0] == ExitCode.SOME_FAILED
    (tmp_path / "leaves/book.json").write_text("notes")
    assert _call(capsys, *words, "--strict")[0] == 0


def test_interrupted(capsys: Capture, picture: Make, tmp_path: Path, use: Callable[[Reader], None]) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    use(stop)
    code, _, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    assert code == ExitCode.INTERRUPTED
    assert "goes on from here" in err
    assert _call(capsys, "status", tmp_path / "out")[1].startswith("0 done, 0 failed, 0 reading, 1 waiting")


def test_fault_of_the_program(
    capsys: Capture, picture: Make, tmp_path: Path, use: Callable[[Reader], None]
) -> None:
    use(stand_ins.raise_on_bad)
    words = ["read", picture("bad.jpg"), "-o", str(tmp_path / "out")]
    code, _, err = _call(capsys, *words)
    assert code == ExitCode.SOME_FAILED
    assert "fault of the program: ZeroDivisionError" in err
    assert run([str(word) for word in [*words, "-v"]]) == ExitCode.SOME_FAILED
    assert "Traceback" in capsys.readouterr().err


def test_closed_pipes(
    capsys: Capture, picture: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader of standard output that leaves is no error; any other broken pipe is, and never silent."""
    command = f"{sys.executable} -m neumary models --json; echo $? >&2"
    done = subprocess.run(
        ["bash", "-c", f"({command}) | true"], capture_output=True, text=True, check=True, timeout=60
    )
    assert "Traceback" not in done.stderr
    assert done.stderr.split()[-1] == "0"

    def break_off(*_: object, **__: object) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr(neumary.batch, "read_all", break_off)
    code, _, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    assert code == ExitCode.SOME_FAILED
    assert "BrokenPipeError" in err


@pytest.mark.usefixtures("quick")
def test_output_that_cannot_be_written(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file, not a folder")
    code, _, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    assert code == ExitCode.OUTPUT
    assert len(err.splitlines()) == 1


def test_model_that_is_not_there(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    code, _, err = _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out", "--model", "nobody")
    assert code == ExitCode.MODEL
    assert "nobody" in err
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "out").exists()


# --- bad input, with the real pipeline ----------------------------------------------


def _parchment(rng: np.random.Generator) -> np.ndarray:
    tone = np.array([224, 208, 176]) + rng.normal(0, 4, (900, 640, 1)) + rng.normal(0, 1.5, (900, 640, 3))
    return np.clip(tone, 0, 255).astype(np.uint8)


def _landscape(rng: np.random.Generator) -> np.ndarray:
    """A photograph of anything but a staff: soft blobs of every size and colour."""
    photo = np.zeros((600, 800, 3))
    for size in (4, 12, 40):
        coarse = rng.integers(0, 256, (size, size, 3), dtype=np.uint8)
        photo += np.asarray(Image.fromarray(coarse).resize((800, 600), Image.Resampling.BICUBIC))
    return (photo / 3).astype(np.uint8)


@pytest.mark.parametrize("name", ["nowhere.jpg", "letter.jpg", "cut.jpg", "dot.png", "empty.png"])
def test_no_picture_is_one_line_and_code_3(capsys: Capture, picture: Make, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "letter.jpg":
        path.write_text("Dear colleague,\n")
    if name == "cut.jpg":
        path = picture(name)
        path.write_bytes(path.read_bytes()[:-300])
    if name == "dot.png":
        Image.new("RGB", (1, 1)).save(path)
    if name == "empty.png":
        path.touch()
    code, out, err = _call(capsys, "read", path, "-o", tmp_path / "out", "--quiet")
    assert code == ExitCode.NO_INPUT
    assert len(err.splitlines()) == 1
    assert name in err
    assert "1 failed" in out
    assert not [item for item in (tmp_path / "out").iterdir() if item.is_dir()]


@pytest.mark.parametrize("make", [_parchment, _landscape])
def test_pictures_without_music(capsys: Capture, tmp_path: Path, make: Callable[..., np.ndarray]) -> None:
    Image.fromarray(make(np.random.default_rng(3))).save(tmp_path / "leaf.png")
    code, out, err = _call(capsys, "read", tmp_path / "leaf.png", "-o", tmp_path / "out")
    assert code == 0, err
    assert "Warning: " in out
    assert {path.name for path in (tmp_path / "out/leaf").iterdir()} == set(PAGE_FILES)
    page = load_page(tmp_path / "out/leaf/page.json")
    assert page.glyphs == ()
    assert page.warnings


# --- the other commands -------------------------------------------------------------


def test_status(capsys: Capture, picture: Make, tmp_path: Path, use: Callable[[Reader], None]) -> None:
    use(stand_ins.raise_on_bad)
    _call(capsys, "read", picture("a.jpg", 1), picture("bad.jpg", 2), "-o", tmp_path / "out", "--jobs", 1)
    code, out, _ = _call(capsys, "status", tmp_path / "out")
    assert code == 0
    assert out.splitlines()[0] == "1 done, 1 failed, 0 reading, 0 waiting."
    assert out.splitlines()[1:3] == ["No run is on.", "Failed by class of error: PageFailed 1."]
    assert out.splitlines()[3].startswith("bad: ")
    assert _call(capsys, "status", tmp_path / "out", "--strict")[0] == ExitCode.SOME_FAILED
    rows = json.loads(_call(capsys, "status", tmp_path / "out", "--json")[1])["pages"]
    assert [(row["page_id"], row["state"]) for row in rows] == [("a", "done"), ("bad", "failed")]


def test_render(capsys: Capture, tmp_path: Path) -> None:
    words = ["render", "-o", tmp_path / "pages", "--kind", "text-only", "--seed", 4]
    code, out, _ = _call(capsys, *words)
    assert code == 0
    drawn = Path(out.strip())
    assert drawn.is_file()
    assert load_page(drawn.with_suffix(".page.json")).source == drawn.name
    before = drawn.read_bytes()
    _call(capsys, *words)
    assert drawn.read_bytes() == before


def test_models(capsys: Capture) -> None:
    code, out, _ = _call(capsys, "models", "--json")
    assert code == 0
    lines = json.loads(out)
    assert sum(line["default"] for line in lines) == 1
    assert all(line["fault"] == "" for line in lines)


@pytest.mark.usefixtures("quick")
def test_score(capsys: Capture, picture: Make, tmp_path: Path) -> None:
    _call(capsys, "read", picture("f1.jpg"), "-o", tmp_path / "out")
    code, out, _ = _call(capsys, "score", tmp_path / "out", tmp_path / "out", "--json")
    assert code == 0
    assert json.loads(out)["total"]["note F1"] == 1
    code, out, _ = _call(capsys, "score", tmp_path / "out", tmp_path / "out")
    assert code == 0
    assert "note F1" in out
    (tmp_path / "nothing").mkdir()
    assert _call(capsys, "score", tmp_path / "out", tmp_path / "nothing")[0] == ExitCode.USAGE
