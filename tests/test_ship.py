"""Finished runs in the place of shipped models: the registry keeps what is not replaced."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from neumary_models import zoo
from neumary_training.ship import ship


def test_models_that_are_not_named_stay_as_they_are(tmp_path: Path) -> None:
    home = tmp_path / "home"
    (home / "weights").mkdir(parents=True)
    shutil.copyfile(zoo.HOME / "registry.toml", home / "registry.toml")
    ship({}, home)
    here = zoo.registered(home / "registry.toml")
    assert list(here) == list(zoo.registered())
    for name, entry in zoo.registered().items():
        moved = replace(entry, path=home / "weights" / entry.path.name, card=home / "cards" / entry.card.name)
        assert here[name] == moved
