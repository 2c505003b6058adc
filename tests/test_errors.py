"""The README's table of errors against what the program says: each row is brought about, end to end."""

from __future__ import annotations

import functools
import json
import os
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import stand_ins
from PIL import Image

import neumary.batch
import neumary.errors
import neumary.executor
import neumary.iiif
import neumary.worker
from neumary.cli import run
from neumary.errors import NeumaryError
from neumary.ledger import running_alone
from neumary.store import save_page
from neumary.types import Page

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
SECTION = README.split("## When something goes wrong")[1].split("\n## ")[0]
ROWS = re.findall(r"^\| `([^`]+)` \| (\w+) \| (\d+) \| (.+) \|$", SECTION, flags=re.M)


class Desk:
    """A folder to work in, with ways to spoil things."""

    def __init__(self, here: Path, picture: Callable[..., Path], patch: pytest.MonkeyPatch) -> None:
        self.here, self.picture, self.patch = here, picture, patch
        self.out = here / "out"
        self.use(stand_ins.read_quickly)

    def use(self, reader: object, **more: object) -> None:
        plain = vars(neumary.batch).get("_plain_run", neumary.batch.Run)
        self.patch.setattr(neumary.batch, "_plain_run", plain, raising=False)
        self.patch.setattr(neumary.batch, "Run", functools.partial(plain, reader=reader, **more))

    def file(self, name: str, content: bytes) -> Path:
        (self.here / name).write_bytes(content)
        return self.here / name

    def read(self, *names: object) -> list[object]:
        return ["read", *names, "-o", self.out]

    def book(self, url: str) -> Path:
        note = {"body": {"id": url}}
        book = {"type": "Manifest", "items": [{"items": [{"items": [note]}]}]}
        book["@context"] = "http://iiif.io/api/presentation/3/context.json"
        return self.file("book.json", json.dumps(book).encode())


def _link(desk: Desk) -> list[object]:
    (desk.here / "a.jpg").symlink_to("a.jpg")
    return desk.read(desk.here / "a.jpg")


def _pipe(desk: Desk) -> list[object]:
    os.mkfifo(desk.here / "a.jpg")
    return desk.read(desk.here / "a.jpg")


def _denied(desk: Desk, what: str) -> list[object]:
    """Root passes over permissions, so the kernel's answer is put in its mouth."""

    def refuse(path: object, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    leaf = desk.picture("leaves/a.jpg")
    if what == "folder":
        desk.patch.setattr("os.scandir", refuse)
        return desk.read(leaf.parent)
    for name in ("open", "read_bytes"):
        plain = getattr(Path, name)

        def choose(path: Path, *words: Any, plain: Callable[..., Any] = plain, **more: Any) -> Any:
            return refuse(path) if path == leaf else plain(path, *words, **more)

        desk.patch.setattr(Path, name, choose)
    return desk.read(leaf)


def _cut(desk: Desk) -> list[object]:
    leaf = desk.picture("a.jpg")
    leaf.write_bytes(leaf.read_bytes()[:-100])
    return desk.read(leaf)


def _dot(desk: Desk) -> list[object]:
    Image.new("RGB", (1, 1)).save(desk.here / "a.png")
    return desk.read(desk.here / "a.png")


def _decimal(desk: Desk) -> list[object]:
    Image.new("F", (50, 50)).save(desk.here / "a.tif")
    return desk.read(desk.here / "a.tif")


def _locked(desk: Desk) -> list[object]:
    desk.picture("a.jpg")
    Image.open(desk.here / "a.jpg").save(desk.here / "a.pdf")
    lock = b"/Encrypt << /Filter /Standard /V 1 /R 2 /P -4 /O <%s> /U <%s> >>" % (b"41" * 32, b"42" * 32)
    data = (desk.here / "a.pdf").read_bytes()
    return desk.read(desk.file("a.pdf", data.replace(b"/Root", lock + b" /ID [<41> <41>] /Root")))


def _changed(desk: Desk) -> list[object]:
    desk.patch.setattr(neumary.batch, "hash_file", lambda path: "00" * 32)
    return desk.read(desk.picture("a.jpg"))


def _silent_server(desk: Desk) -> list[object]:
    desk.patch.setattr(neumary.iiif, "TRIES", 1)
    return desk.read(desk.book("http://127.0.0.1:9/a.jpg"))  # the discard port: nobody listens


def _wrong_server(desk: Desk) -> list[object]:
    desk.patch.setattr(neumary.iiif, "fetch", lambda address: b"<html>")
    return desk.read(desk.book("http://127.0.0.1:9/a.jpg"))


def _dead(desk: Desk) -> list[object]:
    desk.use(stand_ins.die_on_bad)
    return [*desk.read(desk.picture("bad1.jpg", 1), desk.picture("bad2.jpg", 2)), "--jobs", 2]


def _no_process(desk: Desk) -> list[object]:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(11, "Resource temporarily unavailable")

    desk.patch.setattr(neumary.executor, "_PAUSES_S", (0.0, 0.0))
    desk.patch.setattr(neumary.executor.ProcessPoolExecutor, "submit", refuse)
    return [*desk.read(desk.picture("a.jpg", 1), desk.picture("b.jpg", 2)), "--jobs", 2]


def _slow(desk: Desk) -> list[object]:
    desk.use(stand_ins.hang_on_bad, page_limit_s=1.0)
    return [*desk.read(desk.picture("bad1.jpg", 1), desk.picture("bad2.jpg", 2)), "--jobs", 2]


def _faulty(desk: Desk) -> list[object]:
    desk.use(stand_ins.raise_on_bad)
    return desk.read(desk.picture("bad.jpg"))


def _huge(desk: Desk) -> list[object]:
    def fill(*_: object) -> None:
        raise MemoryError

    desk.use(fill)
    return desk.read(desk.picture("a.jpg"))


def _no_pages(desk: Desk) -> list[object]:
    (desk.here / "nothing").mkdir()
    return ["score", desk.here / "nothing", desk.here / "nothing"]


def _odd_canvas(desk: Desk) -> list[object]:
    page = Page(page_id="a", source="a.jpg", sha256="", width=9, height=9)
    save_page(page, desk.out / "a" / "page.json")
    return ["export", desk.out, "--to", "annotations", "--canvas", "https://example.org/{leaf}"]


def _no_model(desk: Desk) -> list[object]:
    desk.use(None)
    return [*desk.read(desk.picture("a.jpg")), "--model", "nobody"]


def _altered_model(desk: Desk) -> list[object]:
    from neumary_models import zoo

    desk.use(None)
    entry = zoo.find(zoo.DEFAULT)
    weights = desk.file(entry.path.name, entry.path.read_bytes()[:-1] + b"?")
    registry = (zoo.HOME / "registry.toml").read_text()
    file = re.search(rf'"([^"]*{re.escape(entry.path.name)})"', registry)
    assert file is not None
    desk.file("registry.toml", registry.replace(file[1], entry.path.name).encode())
    return [*desk.read(desk.picture("a.jpg")), "--model", weights]


def _no_folder(desk: Desk) -> list[object]:
    desk.file("out", b"a file")
    return desk.read(desk.picture("a.jpg"))


def _two_runs(desk: Desk) -> list[object]:
    desk.out.mkdir()
    hold = running_alone(desk.out)
    hold.__enter__()
    desk.hold = hold  # type: ignore[attr-defined]  # until the test has ended
    return desk.read(desk.picture("a.jpg"))


def _no_room(desk: Desk) -> list[object]:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    desk.patch.setattr(neumary.worker, "_put_in_place", full)
    return desk.read(desk.picture("a.jpg"))


def _newer(desk: Desk) -> list[object]:
    desk.out.mkdir()
    with sqlite3.connect(desk.out / "ledger.sqlite") as ledger:
        ledger.execute("PRAGMA user_version = 99")
    ledger.close()
    return ["status", desk.out]


def _damaged_ledger(desk: Desk) -> list[object]:
    desk.out.mkdir()
    (desk.out / "ledger.sqlite").write_bytes(b"no data base" * 500)
    return ["status", desk.out]


CASES: dict[str, Callable[[Desk], list[object]]] = {
    "does not exist": lambda d: d.read(d.here / "nowhere.jpg"),
    "may not be opened by you": lambda d: _denied(d, "file"),
    "cannot be opened": lambda d: _denied(d, "folder"),
    "is a pipe or a device": _pipe,
    "is a link that leads nowhere": _link,
    "is empty (0 bytes)": lambda d: d.read(d.file("a.jpg", b"")),
    "is not a picture": lambda d: d.read(d.file("a.jpg", b"Dear colleague,\n")),
    "is cut short": _cut,
    "is damaged": lambda d: d.read(d.file("a.tif", b"II*\x00\x08\x00\x00\x00")),
    "over the limit of": lambda d: [*d.read(d.picture("a.jpg")), "--megapixels", "0.001"],
    "has only": _dot,
    "is a BigTIFF in big-endian order": lambda d: d.read(d.file("a.tif", b"MM\x00+" + bytes(20))),
    "stores decimal grey values": _decimal,
    "locked with a password": _locked,
    "changed while it was read": _changed,
    "The list": lambda d: d.read(f"@{d.here / 'nowhere.txt'}"),
    "no IIIF manifest that can be understood": lambda d: d.read(
        d.file("a.json", b'"http://iiif.io/api/presentation/3/context.json"')
    ),
    "lists no pictures": lambda d: d.read(
        d.file("a.json", b'{"@context": "http://iiif.io/api/presentation/3/context.json"}')
    ),
    "cannot be had": _silent_server,
    "gave no picture": _wrong_server,
    "The worker process died": _dead,
    "No worker process can be started": _no_process,
    "took longer than": _slow,
    "met a fault of the program": _faulty,
    "does not fit into memory": _huge,
    "Nothing to read was named": lambda d: d.read(),
    "holds no ledger": lambda d: ["status", d.here],
    "holds no read pages": _no_pages,
    "holds no page that was read": lambda d: ["export", d.here, "--to", "mei"],
    "An export needs": lambda d: ["export", d.here],
    "The canvas pattern": _odd_canvas,
    "The text": lambda d: [*d.read(d.picture("a.jpg")), "--text", d.here / "nowhere.txt"],
    "o model": _no_model,
    "is not the registered file": _altered_model,
    "cannot be made a folder": _no_folder,
    "Another run is writing to": _two_runs,
    "cannot be written": _no_room,
    "was written by a newer Neumary": _newer,
    "ledger.sqlite is damaged": _damaged_ledger,
}


def test_every_row_has_its_case() -> None:
    assert [row[0] for row in ROWS] == list(CASES)


def test_every_class_is_in_the_table() -> None:
    def below(kind: type[NeumaryError]) -> set[str]:
        return {kind.__name__}.union(*(below(other) for other in kind.__subclasses__()))

    ours = {name for name in below(NeumaryError) if name != "NeumaryError"}
    assert {row[1] for row in ROWS} == ours


@pytest.mark.parametrize(("phrase", "kind", "code", "advice"), ROWS, ids=[row[0] for row in ROWS])
def test_row(
    phrase: str,
    kind: str,
    code: str,
    advice: str,
    tmp_path: Path,
    picture: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = Desk(tmp_path, picture, monkeypatch)
    words = CASES[phrase](desk)
    found = run([str(word) for word in [*words, "--json", "--quiet"]])
    monkeypatch.undo()
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    assert found == int(code)
    events = [json.loads(line) for line in said.err.splitlines()]
    errors = [event.get("error", event) for event in events]
    matching = [error for error in errors if phrase in error["message"]]
    assert matching, said.err
    assert {error["class"] for error in matching} == {kind}
    assert all(error["advice"] and "\n" not in error["message"] for error in matching)
    assert advice
