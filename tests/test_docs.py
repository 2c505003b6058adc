"""The documents keep pace with the program: what exists is documented, what is documented exists."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest

import neumary
from neumary.accidentals import SCOPES
from neumary.commands import COMMANDS
from neumary.errors import ExitCode
from neumary.settings import FLAT_SCOPES, LINES, NOTATIONS, ONLY, REPERTOIRES
from neumary.worker import PAGE_FILES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")
BY_NAME = {command.name: command for command in COMMANDS}


def _options(command: click.Command) -> set[str]:
    found = {name for parameter in command.params for name in (*parameter.opts, *parameter.secondary_opts)}
    return {name for name in found if name.startswith("-")}


def test_readme_opens_with_one_paragraph_on_the_job() -> None:
    title, paragraph, heading = README.split("\n\n")[:3]
    assert title == "# Neumary"
    assert not paragraph.startswith(("#", "|", "-", "`"))
    assert heading.startswith("## ")


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_every_command_and_option_is_in_the_readme(command: click.Command) -> None:
    assert f"neumary {command.name}" in README
    missing = [name for name in _options(command) if not re.search(rf"`{name}[` ]", README)]
    assert not missing


def test_every_command_in_the_documents_exists() -> None:
    for text in (README, DEVELOPERS):
        for line in re.findall(
            r"neumary ((?:read|status|render|models|score|export|review|adapt)\b[^\n`#|]*)", text
        ):
            name, *words = shlex.split(line, comments=True)
            assert name in BY_NAME, line
            given = {word for word in words if word.startswith("-") and word != "-"}
            assert given <= _options(BY_NAME[name]) | {"-h"}, line


def test_every_make_target_in_the_documents_exists() -> None:
    targets = set(re.findall(r"^([a-z-]+):", MAKEFILE, flags=re.M))
    named = set(re.findall(r"(?:`|^)make ([a-z-]+)", README + DEVELOPERS, flags=re.M))
    assert {"demo", "test", "check"} <= named
    assert named <= targets
    assert set(re.search(r"^\.PHONY: (.*)$", MAKEFILE, flags=re.M)[1].split()) <= targets


def test_continuous_integration_runs_what_the_readme_names() -> None:
    assert (ROOT / ".ci/run").read_text(encoding="utf-8").rstrip().endswith("make check")
    assert "`make check`" in README


def test_exit_codes_are_documented() -> None:
    table = README.split("## Exit codes")[1].split("##")[0]
    codes = {int(code) for code in re.findall(r"^\| (\d+) \|", table, flags=re.M)}
    assert codes == {int(code) for code in ExitCode}


def test_every_file_written_is_documented() -> None:
    table = README.split("## What you get")[1].split("##")[0]
    for name in (*PAGE_FILES, "index.html", "ledger.sqlite"):
        assert f"{name}`" in table


def test_every_choice_is_documented() -> None:
    for values in (REPERTOIRES, FLAT_SCOPES, ONLY, NOTATIONS):
        assert r"\|".join(values) in README
    assert LINES == ("auto", "0", "1", "2", "3", "4", "5")
    assert r"auto\|0..5" in README


def test_flat_scopes_are_those_of_the_pitch_rules() -> None:
    assert FLAT_SCOPES == SCOPES


def test_every_dependency_is_justified() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(name for extra in project["optional-dependencies"].values() for name in extra),
    ]
    table = DEVELOPERS.split("## Dependencies")[1].split("\n## ")[0]
    for requirement in wanted:
        name = re.split(r"[<>=\[]", requirement)[0]
        assert re.search(rf"^\| .*\b{re.escape(name)}\b.* \|", table, flags=re.M), name


def test_files_in_the_map_exist() -> None:
    section = DEVELOPERS.split("Where to look")[1].split("## Words")[0]
    for name in re.findall(r"`([a-z_]+\.py)`", section):
        assert (ROOT / "ocr/neumary" / name).is_file() or (ROOT / "tests" / name).is_file(), name


def test_changelog_knows_this_version() -> None:
    assert f"## {neumary.__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
