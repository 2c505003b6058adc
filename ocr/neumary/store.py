"""Pages to and from disk: one JSON file per page, written whole or not at all.

Every writer of the program goes through `write_bytes`, so a file with its final
name is always complete, even after a crash or a power cut.
"""

from __future__ import annotations

import contextlib
import inspect
import math
import os
import threading
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

import msgspec

from neumary.errors import OutputError, StoreError
from neumary.types import Page, Remark

SCHEMA: Final = "1.0"
"""Version of the stored form: major.minor. A new minor version only adds values."""

SCHEMA_FILE: Final = Path(__file__).parent / "schema" / f"page-{SCHEMA}.schema.json"
"""The published JSON Schema (draft 2020-12), shipped with the package."""

_PIXEL_FIELDS: Final = frozenset({"row", "col", "rows", "cols", "dpi"})
_PIXEL_DIGITS: Final = 2  # 0.01 px: a tenth of what the best tracing can resolve
_SHARE_DIGITS: Final = 4  # probabilities and shares: 1e-4


class _Version(msgspec.Struct):
    schema: str


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file so that its name never stands for half of it.

    See `open_whole`.

    Parameters
    ----------
    path : Path
        Where the file goes; an older one of that name is replaced.
    data : bytes
        Its whole content.

    Raises
    ------
    OutputError
        If the folder or the file cannot be written (full disk, no permission). The
        older file, if any, is then untouched.
    """
    with open_whole(path) as file:
        file.write(data)


@contextlib.contextmanager
def open_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file for writing that gets its name only once it is complete.

    The bytes go to a temporary name in the same folder, are flushed to the disk and
    then renamed; missing folders are made.

    Parameters
    ----------
    path : Path
        Where the file goes; an older one of that name is replaced.

    Yields
    ------
    file object, binary

    Raises
    ------
    OutputError
        If the folder or the file cannot be written (full disk, no permission). The
        older file, if any, is then untouched.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise OutputError(
            f"{path} could not be written: {error.strerror or error}.",
            "Check that the folder may be written to and that the disk has room, then run the command again.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last; not every file system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def encode_page(page: Page) -> bytes:
    """Turn a page into its stored bytes; the same page always gives the same bytes.

    Parameters
    ----------
    page : Page

    Returns
    -------
    bytes
        UTF-8 JSON, one staff, sign, reading, neume, syllable or warning per line.
        Places are rounded to 0.01 px, probabilities and shares to 0.0001; the order
        of lists is kept (it has meaning), names within `settings` are sorted.

    Raises
    ------
    StoreError
        If the page contradicts itself (see `check_page`) or holds a number that is
        not finite.
    """
    check_page(page)
    plain = _rounded(msgspec.to_builtins(page), page.page_id)
    settings = plain["provenance"]["settings"]
    plain["provenance"]["settings"] = dict(sorted(settings.items()))
    encode = msgspec.json.Encoder().encode
    parts = []
    for name, value in plain.items():
        if isinstance(value, list | tuple) and value:
            body = b"[\n" + b",\n".join(encode(item) for item in value) + b"\n]"
        else:
            body = encode(value)
        parts.append(encode(name) + b":" + body)
    return b"{\n" + b",\n".join(parts) + b"\n}\n"


def _rounded(value: Any, page_id: str, name: str = "") -> Any:
    """Copy plain values with their floats rounded as their field's unit asks."""
    kind = type(value)
    if kind is float:
        return _rounded_floats((value,), page_id, name)[0]
    if kind is str:  # file names may be no Unicode
        return value if value.isascii() else value.encode("utf-8", "backslashreplace").decode()
    if kind is dict:
        within = "settings" if name == "settings" else ""
        return {key: _rounded(item, page_id, within or key) for key, item in value.items()}
    if kind is list or kind is tuple:
        if value and type(value[0]) is float and all(type(item) is float for item in value):
            return _rounded_floats(value, page_id, name)
        return [_rounded(item, page_id, name) for item in value]
    return value


def _rounded_floats(values: Sequence[float], page_id: str, name: str) -> list[float]:
    if not all(map(math.isfinite, values)):
        wrong = next(value for value in values if not math.isfinite(value))
        raise StoreError(
            f"Page {page_id}: {name or 'a value'} is {wrong}, which is no number.",
            "This is a fault of the program; please report it together with the scan.",
        )
    if name == "settings":  # the user's own numbers stay as they are
        return list(values)
    digits = _PIXEL_DIGITS if name in _PIXEL_FIELDS or name.endswith("_px") else _SHARE_DIGITS
    return [round(value, digits) + 0.0 for value in values]  # + 0.0 turns -0.0 into 0.0


def save_page(page: Page, path: Path) -> None:
    """Store a page as ``page.json``, whole or not at all.

    Parameters
    ----------
    page : Page
    path : Path
        Usually ``OUT/<page-id>/page.json``.

    Raises
    ------
    StoreError
        See `encode_page`.
    OutputError
        See `write_bytes`.
    """
    write_bytes(path, encode_page(page))


def decode_page(data: bytes, where: str = "page") -> Page:
    """Turn stored bytes back into a page.

    Parameters
    ----------
    data : bytes
        What `encode_page` gave, perhaps in an older version.
    where : str
        File name for messages.

    Returns
    -------
    Page
        Values that an older minor version lacks have their defaults. A newer minor
        version is read with a warning in the page: what this version does not know
        is left out.

    Raises
    ------
    StoreError
        If the data is damaged, of another major version, or contradicts itself.
    """
    try:
        version = msgspec.json.decode(data, type=_Version).schema
        major, minor = (int(part) for part in version.split("."))
    except (msgspec.DecodeError, UnicodeDecodeError, ValueError) as error:
        raise _damaged(where, error) from error
    own_major, own_minor = (int(part) for part in SCHEMA.split("."))
    if major != own_major:
        age = "a newer" if major > own_major else "an older"
        raise StoreError(
            f"{where} was stored by {age} version of the program: form {version}, not {own_major}.x.",
            "Update the program, or read the scan again." if major > own_major else "Read the scan again.",
        )
    try:
        page = msgspec.json.decode(data, type=Page)
    except (msgspec.DecodeError, UnicodeDecodeError, ValueError) as error:
        raise _damaged(where, error) from error
    check_page(page, where)
    return _note_newer(page, version) if minor > own_minor else page


def _note_newer(page: Page, version: str) -> Page:
    """Say in the page itself that something of it may be missing."""
    remark = Remark(
        code="newer-form",
        text=f"Stored in the newer form {version}; values unknown to form {SCHEMA} were left out.",
    )
    warnings = page.warnings if remark in page.warnings else (*page.warnings, remark)
    return msgspec.structs.replace(page, schema=SCHEMA, warnings=warnings)


def _damaged(where: str, error: Exception) -> StoreError:
    return StoreError(
        f"{where} is damaged or is no stored page: {error}.",
        "Restore it from a copy, or delete its folder and read the scan again.",
    )


def load_page(path: Path) -> Page:
    """Read a stored page back.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Page

    Raises
    ------
    StoreError
        If the file is missing, damaged or of another major version; the message
        names the file and says what to do.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise StoreError(
            f"{path} cannot be opened: {error.strerror or error}.",
            "Check the name of the folder; it must be one written by `neumary read`.",
        ) from error
    return decode_page(data, str(path))


def check_page(page: Page, where: str = "") -> None:
    """Make sure that the parts of a page refer to each other properly.

    Parameters
    ----------
    page : Page
    where : str
        File name for messages; the page id if empty.

    Raises
    ------
    StoreError
        If an id is given twice, something refers to an id that is not there, or a
        line's rows and columns differ in number.
    """
    where = where or f"Page {page.page_id}"
    staves = _unique((staff.id for staff in page.staves), "staff", where)
    glyphs = _unique((glyph.id for glyph in page.glyphs), "sign", where)
    neumes = _unique((neume.id for neume in page.neumes), "neume", where)
    syllables = _unique((syllable.id for syllable in page.syllables), "syllable", where)
    _known((glyph.staff for glyph in page.glyphs), staves, "staff", where)
    _known((neume.staff for neume in page.neumes), staves, "staff", where)
    _known((syllable.staff for syllable in page.syllables), staves, "staff", where)
    _known((reading.glyph for reading in page.readings), glyphs, "sign", where)
    _known((glyph for neume in page.neumes for glyph in neume.glyphs), glyphs, "sign", where)
    _known((neume.syllable for neume in page.neumes if neume.syllable), syllables, "syllable", where)
    _unique((mark.id for mark in page.marks), "mark", where)
    _known((mark.staff for mark in page.marks), staves, "staff", where)
    _known((mark.neume for mark in page.marks if mark.neume), neumes, "neume", where)
    for staff in page.staves:
        for number, line in enumerate(staff.lines, 1):
            if len(line.cols) != len(line.rows) or len(line.cols) < 2:
                raise _contradiction(where, f"line {number} of staff {staff.id} has no proper course")


def _unique(ids: Iterable[str], kind: str, where: str) -> set[str]:
    seen: set[str] = set()
    for name in ids:
        if name in seen:
            raise _contradiction(where, f"two things of kind {kind} are both called {name!r}")
        seen.add(name)
    return seen


def _known(ids: Iterable[str], known: set[str], kind: str, where: str) -> None:
    for name in ids:
        if name not in known:
            raise _contradiction(where, f"something refers to the {kind} {name!r}, which is not there")


def _contradiction(where: str, what: str) -> StoreError:
    return StoreError(
        f"{where} contradicts itself: {what}.", "Restore the file from a copy, or read the scan again."
    )


def page_schema() -> dict[str, Any]:
    """Give the JSON Schema of a stored page.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12 [1]_, generated from the types; `SCHEMA_FILE` holds
        the same, published with the package.

    References
    ----------
    .. [1] JSON Schema draft 2020-12, https://json-schema.org/draft/2020-12/schema
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:neumary:page:{SCHEMA}",
        "title": "A page of plainchant as read by Neumary",
        "version": SCHEMA,
        **_canonical(msgspec.json.schema(Page)),
    }


def schema_bytes() -> bytes:
    """Give the published JSON Schema as the bytes of its file."""
    return msgspec.json.format(msgspec.json.encode(page_schema(), order="sorted"), indent=2) + b"\n"


def _canonical(schema: Any) -> Any:
    """The schema whatever msgspec made it: descriptions without the source's indent, choices in order."""
    if isinstance(schema, list):
        return [_canonical(value) for value in schema]
    if not isinstance(schema, dict):
        return schema
    whole = {key: _canonical(value) for key, value in schema.items()}
    if isinstance(whole.get("description"), str):
        whole["description"] = inspect.cleandoc(whole["description"])
    if isinstance(whole.get("anyOf"), list):  # the order says nothing
        whole["anyOf"].sort(key=lambda choice: msgspec.json.encode(choice, order="sorted"))
    return whole
