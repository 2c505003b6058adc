"""The shipped models as seen from here: checked, named, and with errors for people."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from neumary.errors import ModelError

if TYPE_CHECKING:
    from neumary_models.zoo import LoadedModel, ModelEntry


@dataclass(frozen=True, slots=True)
class ModelStamp:
    """A model's name and hash; in ledgers the hash is that over the model and its companions."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ModelLine:
    """One model in a listing; `fault` is "" when its file is the registered one."""

    stamp: ModelStamp
    about: str
    default: bool
    fault: str


@contextmanager
def _as_model_error() -> Iterator[None]:
    from neumary_models import zoo

    try:
        yield
    except FileNotFoundError as error:
        raise ModelError(
            f"The list of models is missing: {error.filename}.", "Install Neumary again."
        ) from error
    except (zoo.ModelMissing, zoo.ModelAltered) as error:
        said = str(error).rstrip(".")
        raise ModelError(f"{said[:1].upper()}{said[1:]}.", "`neumary models` lists them.") from error


def check_model(name: str) -> ModelStamp:
    """Check a model's file, and its companions', without starting the networks.

    Parameters
    ----------
    name : str
        Registered name or model file; "" takes the default model.

    Raises
    ------
    ModelError
        If there is no such model, or its file is not the registered one.
    """
    from neumary_models import zoo

    with _as_model_error():
        entry = _reader(name)
        zoo.check(entry)
        hashes = zoo.hashes(entry)
        for other in hashes:
            if other != entry.name:
                zoo.check(zoo.find(other))
    return ModelStamp(entry.name, zoo.digest(hashes))


@functools.lru_cache(maxsize=2)
def load_model(name: str, sha256: str = "", threads: int = 0) -> LoadedModel:
    """Load a model, once for each process.

    Parameters
    ----------
    name : str
        Registered name or model file; "" takes the default model.
    sha256 : str
        Hash over it and its companions that it must have, as in `check_model`; "" for any.
    threads : int
        Threads the network may use; 0 takes all cores.

    Raises
    ------
    ModelError
        If there is no such model, or it is not the one expected.
    """
    from neumary_models import zoo

    with _as_model_error():
        _reader(name)
        model = zoo.load(name or zoo.DEFAULT, threads or None)
    if sha256 and zoo.digest(model.hashes) != sha256:
        raise ModelError(f"The model {model.name} changed during the run.", "Run the command again.")
    return model


def _reader(name: str) -> ModelEntry:
    """The entry of a reader of signs; its companions cannot be chosen."""
    from neumary_models import zoo

    entry = zoo.find(name or zoo.DEFAULT)
    if entry.role != zoo.SIGNS:
        raise zoo.ModelMissing(f"the model '{entry.name}' does not read signs, it works beside those that do")
    return entry


def list_models() -> list[ModelLine]:
    """All registered models, each with its hash checked."""
    from neumary_models import zoo

    with _as_model_error():
        entries = list(zoo.registered().values())
    return [_line(entry.name, entry.sha256, entry.about, entry.name == zoo.DEFAULT) for entry in entries]


def _line(name: str, sha256: str, about: str, default: bool) -> ModelLine:
    from neumary_models import zoo

    try:
        with _as_model_error():
            zoo.check(zoo.find(name))
    except ModelError as error:
        return ModelLine(ModelStamp(name, sha256), about, default, error.seen)
    return ModelLine(ModelStamp(name, sha256), about, default, "")
