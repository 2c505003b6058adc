"""Pictures that came from a server, kept in the output folder, so that each is fetched once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from neumary.errors import ScanError
from neumary.scan import PageRef

FETCHED_NAME: Final = "fetched"
"""Folder within the output; later runs and corrections find the pictures there."""


def kept_at(ref: PageRef, out: Path) -> PageRef:
    """The page with its picture where it is kept, fetched or not; other pages as they are."""
    if not ref.url:
        return ref
    return replace(ref, source=out / FETCHED_NAME / f"{ref.page_id}{ref.source.suffix}")


def fetch_page(ref: PageRef, out: Path) -> PageRef:
    """Fetch a page that stands on a server, unless it has come before; other pages as they are.

    Raises
    ------
    ScanError
        If it cannot be had, or what comes is no whole picture.
    OutputError
        If it cannot be kept.
    """
    kept = kept_at(ref, out)
    if not ref.url or kept.source.is_file():
        return kept
    from neumary.formats import refuse_cut_short, sniff
    from neumary.iiif import fetch
    from neumary.store import write_bytes

    data = fetch(ref.url)
    kind = sniff(data[:4096])
    if not kind:
        raise ScanError(f"{ref.url} gave no picture.", "Look at the address in a browser.")
    refuse_cut_short(kept.source, kind, data)
    write_bytes(kept.source, data)
    return kept
