"""Damaged inputs by the hundred, and folders without rights or room: no traceback, no hang, no silence."""

from __future__ import annotations

import functools
import io
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import stand_ins
from PIL import Image

import neumary.batch
from neumary.cli import run
from neumary.errors import ExitCode, ScanError
from neumary.ledger import Ledger
from neumary.scan import read_scans
from neumary.worker import PAGE_FILES

Make = Callable[..., Path]
Capture = pytest.CaptureFixture[str]

FORMATS: dict[str, dict[str, object]] = {
    "plain.jpg": {},
    "later.jpg": {"progressive": True},
    "plain.png": {},
    "few.png": {"mode": "P"},
    "lossy.webp": {},
    "exact.webp": {"lossless": True},
    "raw.tif": {},
    "lzw.tif": {"compression": "tiff_lzw"},
    "jpeg.tif": {"compression": "jpeg"},
    "fax.tif": {"compression": "group4", "mode": "1"},
    "leaf.jp2": {},
    "book.pdf": {},
}
TRUNCATIONS = 12
FLIPS = 14
HOLES = 6
# 12 formats x 32 damages = 384 damaged inputs


def _whole(name: str, speckled: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    options = dict(FORMATS[name])
    image = Image.fromarray(speckled).convert(str(options.pop("mode", "RGB")))
    kind = Image.registered_extensions()[Path(name).suffix] if name != "book.pdf" else "PDF"
    image.save(buffer, format=kind, **options)
    return buffer.getvalue()


def _damaged(data: bytes, seed: int) -> Iterator[tuple[str, bytes]]:
    """Name and content of damaged copies: cut short, with single bits flipped, with holes of zeros."""
    rng = np.random.default_rng(seed)
    for share in np.linspace(0, 0.999, TRUNCATIONS):
        yield f"cut at {share:.3f}", data[: int(len(data) * share)]
    for n in range(FLIPS):
        copy = bytearray(data)
        reach = min(len(data), 200) if n % 2 else len(data)  # every other one in the header
        at = int(rng.integers(0, reach))
        copy[at] ^= 1 << int(rng.integers(8))
        yield f"bit flipped at {at}", bytes(copy)
    for _ in range(HOLES):
        at = int(rng.integers(0, len(data) - 20))
        yield f"hole at {at}", data[:at] + bytes(16) + data[at + 16 :]


@pytest.mark.parametrize("name", FORMATS)
def test_damaged_files(
    tmp_path: Path, speckled: np.ndarray, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """Each is refused in one line with advice, or read; a cut one is never read as if it were whole."""
    path = tmp_path / name
    data = _whole(name, speckled)
    path.write_bytes(data)
    (whole,) = read_scans(path)
    outcomes = {"refused": 0, "read": 0}
    for what, content in _damaged(data, seed=len(name)):
        path.write_bytes(content)
        try:
            scans = list(read_scans(path, limit_megapixels=2))
        except ScanError as error:
            outcomes["refused"] += 1
            assert "\n" not in str(error), what
            assert str(path) in error.seen, what
            assert error.advice, what
        else:
            outcomes["read"] += 1
            assert all(scan.rgb.dtype == np.uint8 for scan in scans), what
            if what.startswith("cut"):
                assert np.array_equal(scans[0].rgb, whole.rgb), what
    assert sum(outcomes.values()) == TRUNCATIONS + FLIPS + HOLES
    assert outcomes["refused"] >= TRUNCATIONS - 1
    said = capfd.readouterr()
    assert said.out == said.err == ""  # decoders' own words are caught


def _png_head(width: int, height: int) -> bytes:
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    size = width.to_bytes(4, "big") + height.to_bytes(4, "big")
    head = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size + b"\x08\x02\x00\x00\x00")
    return head + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")


def _jpeg_head(height: int, width: int, data: bytes) -> bytes:
    """The frame header's size replaced (ITU-T T.81, B.2.2)."""
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + height.to_bytes(2, "big") + width.to_bytes(2, "big") + data[at + 4 :]


def test_bombs_are_judged_by_their_headers(tmp_path: Path, speckled: np.ndarray) -> None:
    jpeg = _whole("plain.jpg", speckled)
    tiff = _whole("raw.tif", speckled)
    width = (90).to_bytes(4, "little")
    bombs = {
        "a.png": _png_head(30_000, 30_000),
        "b.png": _png_head(2_000_000_000, 1),
        "c.jpg": _jpeg_head(30_000, 30_000, jpeg),
        "d.jpg": _jpeg_head(65_500, 65_500, jpeg),
        "e.tif": tiff.replace(
            b"\x00\x01\x04\x00\x01\x00\x00\x00" + width, b"\x00\x01\x04\x00\x01\x00\x00\x00\xff\xff\xff\x7f"
        ),
    }
    for name, content in bombs.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(ScanError) as caught:
            list(read_scans(tmp_path / name))
        assert "over the limit" in str(caught.value) or "damaged" in str(caught.value), name
    with pytest.raises(ScanError, match="900 megapixels"):
        list(read_scans(tmp_path / "a.png"))


def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "leaf.jpg")
    with pytest.raises(ScanError, match="pipe or a device"):
        list(read_scans(tmp_path / "leaf.jpg"))


# --- end to end -----------------------------------------------------------------------


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    reader = functools.partial(neumary.batch.Run, reader=stand_ins.read_quickly)
    monkeypatch.setattr(neumary.batch, "Run", reader)


@pytest.mark.usefixtures("quick")
def test_a_folder_of_wrecks_harms_no_neighbour(
    capsys: Capture, picture: Make, tmp_path: Path, speckled: np.ndarray
) -> None:
    """Three good leaves among a hundred wrecks, links that lead nowhere and names of every sort."""
    leaves = tmp_path / "leaves"
    good = [picture(name, n, leaves) for n, name in enumerate(["a.jpg", "m.png", "z.tif"])]
    wrecks: list[Path] = []
    for name in FORMATS:
        damaged = list(_damaged(_whole(name, speckled), seed=1))
        for n, (_, content) in enumerate([*damaged[:8], damaged[TRUNCATIONS + 1]]):
            wrecks.append(leaves / f"{n}-{name}")
            wrecks[-1].write_bytes(content)
    (leaves / "wrong.jpg").write_bytes(_whole("plain.png", speckled))  # its content counts: this is read
    (leaves / "letter.tif").write_text("Dear colleague,\n")
    (leaves / "round.jpg").symlink_to("round.jpg")
    (leaves / "gone.jpg").symlink_to("nowhere.jpg")
    (leaves / f"{'n' * 240}.jpg").write_bytes(good[0].read_bytes())
    (leaves / "two\nlines.jpg").write_bytes(good[0].read_bytes())
    with suppress(OSError):  # not every file system takes names that are no UTF-8
        Path(os.fsdecode(os.fsencode(leaves) + b"/\xff.jpg")).write_bytes(good[0].read_bytes())
    out = tmp_path / "out"
    code = run(["read", str(leaves), "-o", str(out), "--jobs", "2", "--json"])
    said = capsys.readouterr()
    assert code == ExitCode.SOME_FAILED
    assert "Traceback" not in said.out + said.err
    with Ledger(out, read_only=True) as ledger:
        rows = list(ledger.rows())
    by_source = {Path(row.source).name: row for row in rows}
    assert len(rows) == len(by_source) >= 3 + len(wrecks)
    for path in [*good, leaves / "wrong.jpg", leaves / f"{'n' * 240}.jpg", leaves / "two\nlines.jpg"]:
        assert by_source[path.name].state == "done", path
    assert {row.state for row in rows} == {"done", "failed"}
    assert {row.error_class for row in rows if row.state == "failed"} == {"ScanError"}
    folders = {path.name for path in out.iterdir() if path.is_dir()}
    assert folders == {row.page_id for row in rows if row.state == "done"}
    for folder in folders:
        assert {path.name for path in (out / folder).iterdir()} == set(PAGE_FILES)


@pytest.mark.usefixtures("quick")
def test_one_bad_page_does_not_spoil_its_file(capsys: Capture, tmp_path: Path, speckled: np.ndarray) -> None:
    pages = [Image.fromarray(speckled), Image.new("RGB", (3, 3)), Image.fromarray(speckled[::-1])]
    pages[0].save(tmp_path / "book.tif", save_all=True, append_images=pages[1:])
    code = run(["read", str(tmp_path / "book.tif"), "-o", str(tmp_path / "out"), "-q", "--jobs", "1"])
    assert code == ExitCode.SOME_FAILED
    assert "3 x 3 pixels" in capsys.readouterr().err
    assert (tmp_path / "out/book-p0003/page.mei").is_file()


# --- folders and disks ----------------------------------------------------------------

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small disk")


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A folder on a disk of its own of 400 KiB; skipped where it cannot be mounted."""
    folder = Path(tempfile.mkdtemp())
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        shutil.rmtree(folder)
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()


@needs_root
@pytest.mark.usefixtures("quick")
def test_full_disk(capsys: Capture, picture: Make, tmp_path: Path, small_disk: Path) -> None:
    for n in range(40):
        picture(f"leaves/f{n:02d}.jpg", n)
    words = ["read", str(tmp_path / "leaves"), "-o", str(small_disk / "out"), "--jobs", "1", "-q"]
    assert run(words) == ExitCode.OUTPUT
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert "neumary: " in said.splitlines()[-1]
    whole = [path.parent for path in small_disk.glob("out/*/page.json")]
    assert 0 < len(whole) < 40
    for folder in whole:
        assert {path.name for path in folder.iterdir()} == set(PAGE_FILES)
    assert run(words) == ExitCode.OUTPUT  # still full
    subprocess.run(["mount", "-o", "remount,size=40m", str(small_disk)], check=True)
    assert run(words) == ExitCode.OK
    assert len(list(small_disk.glob("out/*/page.mei"))) == 40
    assert not list(small_disk.glob("out/.*.part"))


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder anybody may enter."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def _without_rights(*words: object) -> subprocess.CompletedProcess[str]:
    """The command bound by permissions as everybody is; root's power to pass over them is taken away."""
    command = [sys.executable, "-m", "neumary", *map(str, words)]
    if os.geteuid() == 0:
        bound = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
        if shutil.which("setpriv") is None or subprocess.run([*bound, "true"], check=False).returncode:
            pytest.skip("root's power to pass over permissions cannot be taken away here")
        command = [*bound, *command]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.parametrize("writable", ["parent", "nothing", "ledger"])
def test_out_that_may_not_be_written(picture: Make, open_folder: Path, writable: str) -> None:
    leaf = picture("leaf.jpg", folder=open_folder)
    out = open_folder / "out"
    if writable != "parent":
        out.mkdir()
        out.chmod(0o555)
    if writable == "ledger":
        (out / "ledger.sqlite").touch()
        (out / "ledger.sqlite").chmod(0o666)
    open_folder.chmod(0o555)
    try:
        done = _without_rights("read", leaf, "-o", out)
    finally:
        open_folder.chmod(0o755)
        if out.exists():
            out.chmod(0o755)
    assert done.returncode == ExitCode.OUTPUT
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert done.stderr.startswith("neumary: ")


def test_folder_and_file_that_may_not_be_read(picture: Make, open_folder: Path) -> None:
    closed = open_folder / "leaves/closed"
    closed.mkdir(parents=True, mode=0)
    leaf = picture("leaves/leaf.jpg", folder=open_folder)
    leaf.chmod(0)
    out = open_folder / "out"
    out.mkdir()
    out.chmod(0o777)
    try:
        done = _without_rights("read", open_folder / "leaves", "-o", out)
    finally:
        closed.chmod(0o755)
    assert done.returncode == ExitCode.NO_INPUT
    assert "Traceback" not in done.stderr
    assert "closed cannot be opened: Permission denied" in done.stderr
    assert "leaf.jpg may not be opened by you" in done.stderr


def test_status_of_a_folder_that_may_only_be_read(picture: Make, open_folder: Path) -> None:
    out = open_folder / "out"
    with Ledger((out.mkdir(), out)[1]) as ledger:
        ledger.claim([("f1", "/gone/f1.jpg", 0)])
    out.chmod(0o555)
    done = _without_rights("status", out)
    out.chmod(0o755)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("0 done, 0 failed, 0 reading, 1 waiting.")
