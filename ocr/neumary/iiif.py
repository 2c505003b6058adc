"""Pages of a IIIF manifest: which pictures it lists, and fetching them politely.

IIIF Presentation API 3.0 (https://iiif.io/api/presentation/3.0/) and, for older servers,
2.1; pictures are asked for by the Image API 3.0, 4.2, no larger than wanted.
"""

from __future__ import annotations

import http.client
import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from neumary import __version__
from neumary.errors import ScanError

LONGEST_SIDE_PX: Final = 4000
"""A folio of 40 cm then has 250 dots per inch; larger pictures cost the server more than they give."""

TRIES: Final = 5
TIMEOUT_S: Final = 60.0
PAUSE_S: Final = 0.2
"""Rest after each picture; one request at a time is made."""

_LONGEST_WAIT_S: Final = 120.0
_LIMIT_BYTES: Final = 300_000_000
_BUSY: Final = frozenset({408, 429, 500, 502, 503, 504})  # RFC 9110: worth another try


@dataclass(frozen=True, slots=True)
class Manifest:
    """A book as a server describes it.

    Attributes
    ----------
    stem : str
        What its pages are named after.
    pictures : tuple of str
        Address of one picture for each page, in order.
    """

    stem: str
    pictures: tuple[str, ...]


def is_address(name: str) -> bool:
    """Whether an input is fetched from a server."""
    return name.startswith(("http://", "https://"))


def looks_like_manifest(path: Path) -> bool:
    """Whether a file says near its beginning that it is a IIIF manifest."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return b"iiif.io/api/presentation" in file.read(4096)
    except OSError:
        return False


def read_manifest(name: str, *, longest_side_px: int = LONGEST_SIDE_PX) -> Manifest:
    """Read a manifest from a file or an address.

    Parameters
    ----------
    name : str
        Path or address.
    longest_side_px : int
        Pictures are asked for no larger than this.

    Returns
    -------
    Manifest

    Raises
    ------
    ScanError
        If it cannot be had, is no manifest, or lists no pictures.
    """
    if is_address(name):
        data = fetch(name)
    else:
        try:
            data = Path(name).read_bytes()
        except OSError as error:
            raise ScanError(f"{name} cannot be read: {error.strerror}.", "Check its name.") from None
    try:
        content = json.loads(data)
        if not isinstance(content, dict):
            raise TypeError
        pictures = tuple(_pictures(content, longest_side_px))
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError):
        raise ScanError(f"{name} is no IIIF manifest that can be understood.", "Check the address.") from None
    if not pictures:
        raise ScanError(f"{name} lists no pictures.", "Give the manifest of a book, not of a collection.")
    return Manifest(_stem(name), pictures)


def _stem(name: str) -> str:
    """What pages are named after; "manifest" says nothing, so the folder's name is taken then."""
    parts = [part for part in unquote(urlsplit(name).path).split("/") if part]
    if not is_address(name):
        return Path(name).stem
    names = [part.removesuffix(".json") for part in parts]
    telling = [part for part in names if part not in ("manifest", "iiif", "presentation", "3", "2")]
    return (telling or names or ["manifest"])[-1]


# --- the two versions of the standard -------------------------------------------------


def _pictures(content: dict[str, Any], side_px: int) -> Iterator[str]:
    if "sequences" in content:
        for canvas in content["sequences"][0]["canvases"]:
            for image in canvas["images"][:1]:
                yield _address(image["resource"], side_px)
        return
    if content.get("type") != "Manifest":
        return
    for canvas in content["items"]:
        bodies = [_body(note["body"]) for page in canvas.get("items", []) for note in page.get("items", [])]
        for body in bodies[:1]:
            yield _address(body, side_px)


def _body(body: Any) -> dict[str, Any]:
    """The picture itself; of several to choose from, the first, which the standard calls the default."""
    if isinstance(body, list):
        body = body[0]
    if body.get("type") == "Choice":
        body = body["items"][0]
    return dict(body)


def _address(body: dict[str, Any], side_px: int) -> str:
    services = body.get("service") or []
    service = services if isinstance(services, dict) else next(iter(services), {})
    base = service.get("id") or service.get("@id")
    if not base:
        return _checked(body.get("id") or body["@id"])
    size = "max"
    longest = max(int(body.get("width") or 0), int(body.get("height") or 0))
    if not 0 < longest <= side_px:
        size = f"!{side_px},{side_px}"
    return _checked(f"{str(base).rstrip('/')}/full/{size}/0/default.jpg")


def _checked(address: str) -> str:
    if not is_address(str(address)):
        raise ValueError(f"no address: {address}")
    return str(address)


# --- fetching -------------------------------------------------------------------------


def fetch(address: str, *, sleep: Callable[[float], None] = time.sleep) -> bytes:
    """Get what stands at an address, trying again where the server is only busy.

    Waits 1, 2, 4, ... seconds between tries, or as long as the server asks for (at most
    two minutes).

    Parameters
    ----------
    address : str
        http or https.
    sleep : callable
        Told the seconds to wait.

    Returns
    -------
    bytes

    Raises
    ------
    ScanError
        If it cannot be had.
    """
    why = ""
    for attempt in range(TRIES):
        try:
            data = _once(address)
        except urllib.error.HTTPError as error:
            why = f"the server answered {error.code} {error.reason}".rstrip()
            error.close()
            if error.code not in _BUSY:
                break
            wait = _asked_for(error) or 2.0**attempt
        except (urllib.error.URLError, TimeoutError, http.client.HTTPException, OSError) as error:
            why = " ".join(str(getattr(error, "reason", error)).split()) or type(error).__name__
            wait = 2.0**attempt
        else:
            sleep(PAUSE_S)
            return data
        if attempt + 1 < TRIES:
            sleep(min(wait, _LONGEST_WAIT_S))
    raise ScanError(f"{address} cannot be had: {why}.", "Check the address and the network; run again.")


def _once(address: str) -> bytes:
    request = urllib.request.Request(address, headers={"User-Agent": f"neumary/{__version__}"})
    with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
        data = bytes(answer.read(_LIMIT_BYTES + 1))
        promised = answer.headers.get("Content-Length")
    if len(data) > _LIMIT_BYTES:
        raise ScanError(f"{address} is larger than {_LIMIT_BYTES // 1_000_000} MB.", "Fetch it by hand.")
    if promised and promised.isdigit() and len(data) < int(promised):
        raise http.client.IncompleteRead(data, int(promised) - len(data))
    return data


def _asked_for(error: urllib.error.HTTPError) -> float:
    """Seconds of a Retry-After header (RFC 9110, 10.2.3); 0 where there are none."""
    said = str(error.headers.get("Retry-After") or "")
    return float(said) if said.isdigit() else 0.0
