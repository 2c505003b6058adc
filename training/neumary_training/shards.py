"""Rendered pages kept on disk as shards, for one network or for several at once.

Drawing a page takes longer than looking at it, so a page can be drawn once and kept as each
network is to see it: a *view* says how. Shards do not depend on the number of processes, nor on
which other views are kept beside them.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
import zipfile
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from neumary_synth.ageing import Ageing
from neumary_synth.render import Rendered, render_page

Arrays = dict[str, npt.NDArray[Any]]
Given = TypeVar("Given")
Made = TypeVar("Made")

STRIPS, LEAVES, FREE_PAGES = "strips", "leaves", "free-pages"
"""Folders of the views in a work folder."""
POOL_FILE: Final = "pages.json"

_SHARD: Final = 10  # pages
_SPLITS: Final = {"train": 0, "held-out": 500_000, "test": 800_000}


@dataclass(frozen=True, slots=True)
class View:
    """How pages are kept for one network. Its functions stand at the top of a module.

    Attributes
    ----------
    see : callable
        (rendered page, its seed) to what is kept of it; None where there is nothing to keep.
    pack : callable
        The pages of a shard to named arrays.
    """

    see: Callable[[Rendered, int], Any]
    pack: Callable[[list[Any]], Arrays]


@dataclass(frozen=True, slots=True)
class Pool:
    """Which pages are drawn.

    Attributes
    ----------
    seed : int
    kinds : dict of str to float, optional
        Share of each kind of page; None for the renderer's own.
    spaces_px : dict of str to (float, float), optional
        Least and greatest staff space of the kinds that are not to be drawn at any size.
    ageing : bool
        False for pages as clean as the day they were written.
    """

    seed: int
    kinds: dict[str, float] | None = None
    spaces_px: dict[str, tuple[float, float]] | None = None
    ageing: bool = True

    def draw(self, split: str, index: int) -> tuple[Rendered, int]:
        """One page and its seed."""
        own = page_seed(self.seed, split, index)
        kind = page_kind(self.kinds, own)
        span = (self.spaces_px or {}).get(kind or "")
        space = float(np.random.default_rng([own, 9]).uniform(*span)) if span else None
        return render_page(own, kind, ageing=None if self.ageing else Ageing(), space_px=space), own


def page_seed(seed: int, split: str, index: int) -> int:
    """Seed of one rendered page; splits never share one."""
    return seed * 1_000_000 + _SPLITS[split] + index


def page_kind(kinds: dict[str, float] | None, seed: int) -> str | None:
    """Kind of one page, drawn with the shares of the configuration."""
    if not kinds:
        return None
    rng = np.random.default_rng([seed, 77])
    names = sorted(kinds)
    shares = np.array([kinds[name] for name in names], dtype=np.float64)
    return str(names[int(rng.choice(len(names), p=shares / shares.sum()))])


def render_shards(
    views: Mapping[Path, View],
    pool: Pool,
    split: str,
    pages: int,
    jobs: int,
    shard: int = _SHARD,
    limit_s: float = 0.0,
) -> None:
    """Draw the pages of a split into the folder of each view; shards that are there are kept.

    Parameters
    ----------
    views : mapping of Path to View
        Folder of the shards, and what is kept there.
    pool : Pool
    split : str
        "train", "held-out" or "test".
    pages : int
    jobs : int
        Worker processes.
    shard : int
        Pages per shard.
    limit_s : float
        Seconds after which no other shard is begun; 0 for no limit.
    """
    todo = []
    for folder in views:
        folder.mkdir(parents=True, exist_ok=True)
    for first in range(0, pages, shard):
        missing = {folder: view for folder, view in views.items() if not _path(folder, split, first).exists()}
        if missing:
            todo.append((missing, pool, split, first, min(first + shard, pages)))
    if not todo:
        return
    until = time.monotonic() + limit_s
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as workers:
        for done, first in enumerate(workers.map(_draw_shard, todo), 1):
            print(f"{split}: shard {done}/{len(todo)}, from page {first}", flush=True)
            if limit_s and time.monotonic() > until:
                workers.shutdown(cancel_futures=True)
                break


def data_hash(folder: Path, split: str) -> str:
    """Hash over the hashes of a split's shards: same renderer, settings and seed, same value."""
    paths = [path.with_suffix(".sha256") for path in shard_paths(folder, split)]
    hashes = [path.read_text(encoding="utf-8").strip() for path in paths]
    return hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def shard_paths(folder: Path, split: str) -> list[Path]:
    """The whole shards of a split, in order.

    Raises
    ------
    FileNotFoundError
        If there are none.
    """
    paths = [path for path in sorted(folder.glob(f"{split}-*.npz")) if ".part." not in path.name]
    if not paths:
        raise FileNotFoundError(f"no shards of '{split}' in {folder}")
    return paths


def pages_drawn(folder: Path, view: str) -> dict[str, Any]:
    """Seed, kinds and numbers of pages in a folder of `render_pages`, as settings of a training run.

    Raises
    ------
    FileNotFoundError
        If nothing was drawn there.
    """
    table = json.loads((folder / POOL_FILE).read_text(encoding="utf-8"))
    for split, key in (("train", "train_pages"), ("held-out", "held_out_pages")):
        table[key] = _SHARD * len(shard_paths(folder / view, split))
    return dict(table)


def numbered(parts: list[Any], names: tuple[str, ...]) -> Arrays:
    """Pages of unlike sizes side by side in one shard."""
    return {f"{n:03d}-{name}": getattr(part, name) for n, part in enumerate(parts) for name in names}


def load_numbered(folder: Path, split: str, names: tuple[str, ...]) -> list[dict[str, npt.NDArray[Any]]]:
    """What `numbered` put into the shards of a split, page by page.

    Raises
    ------
    FileNotFoundError
        If there are none.
    """

    def pages(path: Path) -> list[dict[str, npt.NDArray[Any]]]:
        with np.load(path) as data:
            count = len(data.files) // len(names)
            return [{name: data[f"{n:03d}-{name}"] for name in names} for n in range(count)]

    return [page for shard in side_by_side(pages, shard_paths(folder, split)) for page in shard]


def side_by_side(work: Callable[[Given], Made], given: list[Given]) -> list[Made]:
    """Work done by several threads, results in order; for what waits on files and unpacking."""
    with ThreadPoolExecutor(min(16, os.cpu_count() or 1)) as threads:
        return list(threads.map(work, given))


def _path(folder: Path, split: str, first: int) -> Path:
    return folder / f"{split}-{first:06d}.npz"


def _draw_shard(job: tuple[dict[Path, View], Pool, str, int, int]) -> int:
    views, pool, split, first, end = job
    cv2.setNumThreads(1)
    kept: dict[Path, list[Any]] = {folder: [] for folder in views}
    for index in range(first, end):
        rendered, own = pool.draw(split, index)
        for folder, view in views.items():
            seen = view.see(rendered, own)
            if seen is not None:
                kept[folder].append(seen)
    for folder, view in views.items():
        if kept[folder]:
            _write(_path(folder, split, first), view.pack(kept[folder]))
    return first


def _write(target: Path, arrays: Arrays) -> None:
    digest = hashlib.sha256()
    fresh = target.with_suffix(".part.npz")
    with zipfile.ZipFile(fresh, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, array in arrays.items():
            whole = np.ascontiguousarray(array)
            digest.update(f"{name} {whole.dtype} {whole.shape}".encode())
            digest.update(whole.data)
            with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array(member, whole, allow_pickle=False)
    target.with_suffix(".sha256").write_text(digest.hexdigest() + "\n", encoding="utf-8")
    fresh.rename(target)
