"""How commands speak: results on standard output, words on standard error, both tunable."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import click

from neumary.errors import NeumaryError

CommandT = TypeVar("CommandT", bound=Callable[..., Any])

CONTEXT: Final = {"help_option_names": ["-h", "--help"], "max_content_width": 100}
"""Settings every command shares."""


@dataclass(slots=True)
class Voice:
    """How much to say; shared by all commands through click's context."""

    verbose: bool = False
    quiet: bool = False
    json: bool = False


def say(text: str) -> None:
    """Words for people, on standard error, unless --quiet; with --json, an event."""
    if voice().quiet:
        return
    if voice().json:
        put_event("note", text=text)
    else:
        print(text, file=sys.stderr, flush=True)


def say_error(error: NeumaryError) -> None:
    """One line about an error that did not end the command."""
    if voice().json:
        put_event("error", **describe_error(error))
    else:
        print(f"neumary: {error}", file=sys.stderr, flush=True)


def describe_error(error: NeumaryError) -> dict[str, object]:
    """Class, message, advice and exit code of an error, as plain values."""
    return {
        "class": type(error).__name__,
        "message": error.seen,
        "advice": error.advice,
        "exit_code": int(error.code),
    }


def put_event(event: str, **values: object) -> None:
    """One event of a run as a line of JSON, on standard error."""
    line = json.dumps({"event": event, **values}, ensure_ascii=False, default=str)
    print(line, file=sys.stderr, flush=True)


def voice() -> Voice:
    """The options --verbose, --quiet and --json of this call."""
    return click.get_current_context().ensure_object(Voice)


def _note(name: str) -> Callable[[click.Context, click.Parameter, bool], None]:
    def note(context: click.Context, _: click.Parameter, value: bool) -> None:
        if value:
            setattr(context.ensure_object(Voice), name, True)

    return note


def voice_options(command: CommandT) -> CommandT:
    """Give a command --quiet, --json and --verbose."""
    for flags, name, text in (
        (("-v", "--verbose"), "verbose", "With a traceback where the program is at fault."),
        (("--json",), "json", "Result as JSON on standard output."),
        (("-q", "--quiet"), "quiet", "Say nothing on standard error but what failed."),
    ):
        option = click.option(*flags, is_flag=True, expose_value=False, callback=_note(name), help=text)
        command = option(command)
    return command


def put_json(value: object) -> None:
    """A result as JSON, on standard output."""
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, default=str))
