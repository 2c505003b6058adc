"""IIIF manifests: pictures of the right size, asked for politely, from a server on this very machine."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import stand_ins

import neumary.iiif
from neumary.batch import Run, preview, read_all
from neumary.errors import ExitCode, ScanError
from neumary.executor import InProcess
from neumary.iiif import fetch, read_manifest
from neumary.inputs import list_inputs
from neumary.ledger import Ledger
from neumary.settings import ReadSettings
from neumary.worker import read_to_files

Make = Callable[..., Path]


class _Library(ThreadingHTTPServer):
    """Serves `files`; answers an address with the codes in `moods` first."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Desk)
        self.files: dict[str, bytes] = {}
        self.moods: dict[str, list[tuple[int, dict[str, str]]]] = {}
        self.asked: list[str] = []
        self.agents: set[str] = set()

    @property
    def root(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"


class _Desk(BaseHTTPRequestHandler):
    server: _Library

    def do_GET(self) -> None:
        library = self.server
        library.asked.append(self.path)
        library.agents.add(self.headers.get("User-Agent", ""))
        moods = library.moods.get(self.path, [])
        code, extra = moods.pop(0) if moods else (200 if self.path in library.files else 404, {})
        body = library.files.get(self.path, b"") if code == 200 else b""
        self.send_response(code)
        promised = int(extra.pop("promised", len(body)))
        for name, value in extra.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(promised))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Silence."""


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Iterator[_Library]:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    monkeypatch.setattr(neumary.iiif, "PAUSE_S", 0.0)
    with _Library() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        thread.start()
        yield server
        server.shutdown()
        thread.join()


def _canvas(picture: str, width: int, service: Any = None) -> dict[str, Any]:
    body: dict[str, Any] = {"id": picture, "type": "Image", "width": width, "height": width}
    if service:
        body["service"] = service
    note = {"type": "Annotation", "motivation": "painting", "body": body}
    return {"type": "Canvas", "items": [{"type": "AnnotationPage", "items": [note]}]}


def _book(*canvases: dict[str, Any]) -> dict[str, Any]:
    return {
        "@context": "http://iiif.io/api/presentation/3/context.json",
        "type": "Manifest",
        "items": list(canvases),
    }


# --- which pictures -------------------------------------------------------------------


def test_pictures_are_asked_for_no_larger_than_wanted(tmp_path: Path) -> None:
    """Image API 3.0, 4.2: "!w,h" fits the box, "max" is the whole picture as large as is given."""
    image = "https://library.example/iiif/3/f1/full/max/0/default.jpg"
    service = [{"id": "https://library.example/iiif/3/f1/", "type": "ImageService3", "profile": "level2"}]
    choice = _canvas(image, 9000, service)
    note = choice["items"][0]["items"][0]
    note["body"] = {"type": "Choice", "items": [note["body"], {"id": "https://library.example/uv.jpg"}]}
    path = tmp_path / "gradual.json"
    plain = _canvas("https://library.example/f3.jpg", 9000)
    path.write_text(
        json.dumps(_book(_canvas(image, 9000, service), _canvas(image, 900, service), plain, choice))
    )
    found = read_manifest(str(path), longest_side_px=3000)
    assert found.stem == "gradual"
    assert found.pictures == (
        "https://library.example/iiif/3/f1/full/!3000,3000/0/default.jpg",
        "https://library.example/iiif/3/f1/full/max/0/default.jpg",
        "https://library.example/f3.jpg",
        "https://library.example/iiif/3/f1/full/!3000,3000/0/default.jpg",
    )


def test_manifests_of_the_older_standard(tmp_path: Path) -> None:
    """Presentation API 2.1: sequences of canvases of images."""
    resource = {"@id": "https://library.example/f1.jpg", "width": 8000, "height": 6000}
    resource["service"] = {"@id": "https://library.example/iiif/2/f1"}
    book = {
        "@context": "http://iiif.io/api/presentation/2/context.json",
        "sequences": [{"canvases": [{"images": [{"resource": resource}]}]}],
    }
    (tmp_path / "old.json").write_text(json.dumps(book))
    (picture,) = read_manifest(str(tmp_path / "old.json")).pictures
    assert picture == "https://library.example/iiif/2/f1/full/!4000,4000/0/default.jpg"


@pytest.mark.parametrize(
    ("content", "word"),
    [
        ("{", "no IIIF manifest"),
        ("[]", "no IIIF manifest"),
        (json.dumps(_book()), "lists no pictures"),
        (json.dumps({**_book(), "type": "Collection"}), "lists no pictures"),
        (json.dumps(_book({"items": [{"items": [{"body": 7}]}]})), "no IIIF manifest"),
        (json.dumps(_book(_canvas("file:///etc/passwd", 10))), "no IIIF manifest"),
        ("[" * 100_000, "no IIIF manifest"),
    ],
)
def test_what_is_no_manifest(tmp_path: Path, content: str, word: str) -> None:
    path = tmp_path / "book.json"
    path.write_text(content)
    with pytest.raises(ScanError, match=word) as caught:
        read_manifest(str(path))
    assert "\n" not in str(caught.value)


# --- fetching -------------------------------------------------------------------------


def test_a_busy_server_is_waited_for(library: _Library) -> None:
    library.files["/a"] = b"leaf"
    library.moods["/a"] = [(503, {}), (429, {"Retry-After": "7"}), (500, {}), (200, {"promised": "9"})]
    waits: list[float] = []
    assert fetch(f"{library.root}/a", sleep=waits.append) == b"leaf"
    assert waits == [1, 7, 4, 8, 0]  # doubled each time, or as the server asks; a cut answer counts as busy
    assert all(re.fullmatch(r"neumary/\d+\.\d+\.\d+\S*", agent) for agent in library.agents)


@pytest.mark.parametrize(("code", "times"), [(404, 1), (403, 1), (503, neumary.iiif.TRIES)])
def test_a_server_that_will_not(library: _Library, code: int, times: int) -> None:
    library.moods["/a"] = [(code, {}) for _ in range(20)]
    with pytest.raises(ScanError, match=str(code)):
        fetch(f"{library.root}/a", sleep=lambda seconds: None)
    assert len(library.asked) == times


def test_no_server_at_all(library: _Library) -> None:
    address = f"{library.root}/a"
    library.shutdown()
    library.server_close()
    waits: list[float] = []
    with pytest.raises(ScanError, match="cannot be had"):
        fetch(address, sleep=waits.append)
    assert waits == [1, 2, 4, 8]


# --- whole runs -----------------------------------------------------------------------


def test_a_book_on_a_server_is_read_once(library: _Library, picture: Make, tmp_path: Path) -> None:
    leaves = [picture(f"leaf{n}.jpg", n).read_bytes() for n in range(3)]
    canvases = []
    for n, leaf in enumerate(leaves):
        base = f"{library.root}/iiif/3/f{n}"
        library.files[f"/iiif/3/f{n}/full/!500,500/0/default.jpg"] = leaf
        canvases.append(_canvas(f"{base}/full/max/0/default.jpg", 5000, [{"id": base}]))
    del library.files["/iiif/3/f2/full/!500,500/0/default.jpg"]
    library.files["/books/gradual/manifest"] = json.dumps(_book(*canvases)).encode()
    name = f"{library.root}/books/gradual/manifest"
    run = Run(tmp_path / "out", ReadSettings(), reader=stand_ins.read_quickly)

    found = list_inputs([name], longest_side_px=500)
    assert [(page.ref.page_id, state) for page, state in preview(found, run)] == [
        ("gradual-p0001", "read"), ("gradual-p0002", "read"), ("gradual-p0003", "read")
    ]  # fmt: skip
    assert not (tmp_path / "out").exists()

    report = read_all(found, run, executor=InProcess(read_to_files))
    assert [page.result for page in report.pages] == ["read", "read", "failed"]
    assert report.exit_code() == ExitCode.SOME_FAILED
    assert "404" in str(report.pages[2].error)
    with Ledger(run.out, read_only=True) as ledger:
        rows = {row.page_id: row for row in ledger.rows()}
    assert rows["gradual-p0001"].source == f"{library.root}/iiif/3/f0/full/!500,500/0/default.jpg"

    library.files["/iiif/3/f2/full/!500,500/0/default.jpg"] = b"<html>in repair</html>"
    report = read_all(list_inputs([name], longest_side_px=500), run, executor=InProcess(read_to_files))
    assert [page.result for page in report.pages] == ["already", "already", "failed"]
    assert "no picture" in str(report.pages[2].error)

    library.files["/iiif/3/f2/full/!500,500/0/default.jpg"] = leaves[2]
    before = len(library.asked)
    again = Run(run.out, ReadSettings(), reader=stand_ins.read_quickly, failed_only=True)
    report = read_all(list_inputs([]), again, executor=InProcess(read_to_files))
    assert [(page.page_id, page.result) for page in report.pages] == [("gradual-p0003", "read")]
    assert library.asked[before:] == ["/iiif/3/f2/full/!500,500/0/default.jpg"]


def test_a_manifest_that_is_not_there(library: _Library, tmp_path: Path) -> None:
    found = list_inputs([f"{library.root}/nothing"])
    assert "404" in str(found.failed[0])
    report = read_all(found, Run(tmp_path / "out", ReadSettings()))
    assert report.exit_code() == ExitCode.NO_INPUT
    assert not (tmp_path / "out").exists()
