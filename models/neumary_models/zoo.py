"""Name to checked weights: the models that ship with the package.

A model is an ONNX file, an entry in ``registry.toml`` and a card. The file's hash is
checked on every load; a missing or altered file stops the run, nothing is ever
downloaded or replaced in silence.

A page is read by several: one finds the staves, one reads the signs on them. Another hand's
own model replaces the reader of signs; its companions are always the shipped ones.
"""

from __future__ import annotations

import hashlib
import os
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from neumary_models.labels import NAMES

HOME: Final = Path(__file__).parent
DEFAULT: Final = "strip"
SIGNS: Final = "signs"
"""Role of the models that read signs on staves; the ones a user chooses among."""
COMPANIONS: Final = ("leaf", "staffless")
"""The shipped models that every reader of signs works with; each has a role of its own name."""


class ModelMissing(Exception):
    """No such model, or its file is gone."""


class ModelAltered(Exception):
    """The file's hash, or its label list, is not the registered one."""


@dataclass(frozen=True, slots=True)
class ModelEntry:
    """One registered model.

    Attributes
    ----------
    name : str
    path : Path
        The ONNX file.
    sha256 : str
        Hash the file must have.
    labels : tuple of str
        Label list in the order of the network's outputs.
    calibration : dict of str to float
        Fields of `neumary.glyphs.Calibration`, fitted on hands kept out of training.
    card : Path
    about : str
        One line for listings.
    role : str
        `SIGNS`, or the name of a companion.
    """

    name: str
    path: Path
    sha256: str
    labels: tuple[str, ...]
    calibration: dict[str, float]
    card: Path
    about: str
    role: str = SIGNS


@dataclass(frozen=True, slots=True)
class LoadedModel:
    """A checked model, ready to run.

    Attributes
    ----------
    name, sha256 : str
    calibration : dict of str to float
    companions : dict of str to LoadedModel
        The models of the other roles, for a reader of signs.
    threads : int
        Strips that may be read at once; each runs on one core.
    """

    name: str
    sha256: str
    calibration: dict[str, float]
    _session: Any = field(repr=False)
    companions: dict[str, LoadedModel] = field(default_factory=dict)
    threads: int = 1

    def run(self, pictures: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Score strips or pages.

        Parameters
        ----------
        pictures : ndarray of float32, shape (N, C, H, W)
            H and W multiples of 16; channels as the model's role wants them, see
            `neumary_models.outputs` and `neumary_models.leaf_outputs`.

        Returns
        -------
        ndarray of float32, shape (N, K, H / 2, W / 2)
        """
        name = self._session.get_inputs()[0].name
        return np.asarray(self._session.run(None, {name: pictures})[0], dtype=np.float32)

    @property
    def hashes(self) -> dict[str, str]:
        """Hash of each model at work, by name."""
        return {self.name: self.sha256, **{one.name: one.sha256 for one in self.companions.values()}}


def registered(registry: Path = HOME / "registry.toml") -> dict[str, ModelEntry]:
    """All models of a registry file, by name."""
    table = tomllib.loads(registry.read_text(encoding="utf-8"))
    return {name: _entry(name, row, registry.parent) for name, row in table.items()}


def _entry(name: str, row: dict[str, Any], home: Path) -> ModelEntry:
    return ModelEntry(
        name=name,
        path=home / row["file"],
        sha256=row["sha256"],
        labels=tuple(row["labels"]),
        calibration={key: float(value) for key, value in row["calibration"].items()},
        card=home / row["card"],
        about=row["about"],
        role=row.get("role", SIGNS),
    )


def find(name_or_file: str) -> ModelEntry:
    """The entry of a registered name, or of a folder's ``registry.toml`` beside an ONNX file.

    Raises
    ------
    ModelMissing
        Neither a registered name nor a file with its registry beside it.
    """
    path = Path(name_or_file)
    if path.suffix == ".onnx":
        return find_file(path)
    known = registered()
    if name_or_file in known:
        return known[name_or_file]
    raise ModelMissing(f"no model '{name_or_file}'; there are: {', '.join(sorted(known))}")


def find_file(path: Path) -> ModelEntry:
    """The entry of an ONNX file: in a ``registry.toml`` beside it, or one folder up.

    Raises
    ------
    ModelMissing
        No registry there knows a file of this name.
    """
    for registry in (path.parent / "registry.toml", path.parent.parent / "registry.toml"):
        if registry.is_file():
            for entry in registered(registry).values():
                if entry.path.name == path.name:  # a finished run keeps all its files in one folder
                    return replace(entry, path=path)
    raise ModelMissing(f"no registry.toml beside {path} names it")


def check(entry: ModelEntry) -> bytes:
    """The file's bytes, once its hash and labels have been checked.

    Raises
    ------
    ModelMissing, ModelAltered
    """
    try:
        data = entry.path.read_bytes()
    except OSError as error:
        raise ModelMissing(f"the weights of model '{entry.name}' are not at {entry.path}") from error
    found = hashlib.sha256(data).hexdigest()
    if found != entry.sha256:
        raise ModelAltered(
            f"{entry.path} is not the registered file: sha256 {found[:12]}, expected {entry.sha256[:12]}"
        )
    if entry.role == SIGNS and entry.labels != NAMES:
        raise ModelAltered(f"model '{entry.name}' was trained with another label list")
    return data


def load(name_or_file: str = DEFAULT, threads: int | None = None) -> LoadedModel:
    """Load and check a model, and the companions of a reader of signs.

    Parameters
    ----------
    name_or_file : str
        Registered name, or path of an ONNX file with its ``registry.toml`` beside it.
    threads : int, optional
        Threads one run may use; default: all cores the process may use.

    Raises
    ------
    ModelMissing, ModelAltered
    """
    entry = find(name_or_file)
    others = {name: _start(find(name), threads) for name in COMPANIONS} if entry.role == SIGNS else {}
    return replace(_start(entry, threads), companions=others)


def hashes(entry: ModelEntry) -> dict[str, str]:
    """Registered hashes of a model and its companions, by name; see `LoadedModel.hashes`."""
    others = [find(name) for name in COMPANIONS] if entry.role == SIGNS else []
    return {one.name: one.sha256 for one in (entry, *others)}


def digest(hashes_by_name: dict[str, str]) -> str:
    """One hash over several models: another one of them, another hash."""
    text = "".join(f"{name} {sha256}\n" for name, sha256 in sorted(hashes_by_name.items()))
    return hashlib.sha256(text.encode()).hexdigest()


def _start(entry: ModelEntry, threads: int | None) -> LoadedModel:
    import onnxruntime

    data = check(entry)
    options = onnxruntime.SessionOptions()
    cores = threads or len(os.sched_getaffinity(0))
    options.intra_op_num_threads = 1 if entry.role == SIGNS else cores
    # Beside other work, threads that wait by spinning cost more than they win.
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    # Strips and pages all differ in shape; what is kept for each shape would only grow.
    options.enable_mem_pattern = False
    options.enable_cpu_mem_arena = entry.role == SIGNS
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    return LoadedModel(entry.name, entry.sha256, entry.calibration, session, threads=cores)
