"""The command line: its commands, and the one place where errors become exit codes.

Results go to standard output, words to standard error. Heavy imports stay inside the
commands, so that ``neumary -h`` answers at once.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import traceback
from collections.abc import Sequence
from types import FrameType

import click

from neumary import __version__
from neumary.errors import ExitCode, NeumaryError
from neumary.voice import CONTEXT, Voice, describe_error, put_event


class _Group(click.Group):
    """A group whose commands are imported when they are called or listed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order of a working day."""
        from neumary.commands import COMMANDS

        return [command.name or "" for command in COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Find a command."""
        from neumary.commands import COMMANDS

        return next((command for command in COMMANDS if command.name == cmd_name), None)


@click.group(cls=_Group, context_settings=CONTEXT)
@click.version_option(__version__, "-V", "--version", message="neumary %(version)s")
def cli() -> None:
    """Read photographed plainchant: staves, signs, clefs and pitches, as a draft to check.

    Exit codes: 0 all pages read, 1 some failed, 2 wrong use, 3 no input could be
    read, 4 model missing or not the one named, 5 output cannot be written,
    130 interrupted.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; nothing is raised.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; default: those of this process.
    """
    spoken = Voice()
    streams = sys.stdout, sys.stderr
    try:
        result = cli.main(arguments, prog_name="neumary", standalone_mode=False, obj=spoken)
        sys.stdout.flush()
        return int(result or 0)
    except click.ClickException as error:
        error.show()
        return int(ExitCode.USAGE)
    except (click.Abort, KeyboardInterrupt):
        print("neumary: interrupted.", file=sys.stderr)
        return int(ExitCode.INTERRUPTED)
    except NeumaryError as error:
        if spoken.json:
            put_event("error", **describe_error(error))
        else:
            print(f"neumary: {error}", file=sys.stderr)
        if spoken.verbose:
            traceback.print_exc()
        return int(error.code)
    except (BrokenPipeError, SystemExit):  # click leaves by SystemExit when a pipe breaks
        sys.stdout, sys.stderr = streams
        if _nobody_listens():
            return _closed_pipe()
        return _own_fault(BrokenPipeError("a pipe within the program broke"), spoken)
    except Exception as fault:
        return _own_fault(fault, spoken)


def _nobody_listens() -> bool:
    """Whether it is standard output whose reader has gone, and no other pipe."""
    try:
        poll = select.poll()
        poll.register(sys.stdout.fileno(), 0)
        return any(event & select.POLLERR for _, event in poll.poll(0))
    except (AttributeError, OSError, ValueError):  # no such call here, or no real standard output
        return False


def _closed_pipe() -> int:
    """The reader of standard output has gone: no error, but nothing more may be written."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return int(ExitCode.OK)


def _own_fault(fault: Exception, spoken: Voice) -> int:
    said = " ".join(str(fault).split())
    hint = "" if spoken.verbose else " Run it again with -v for the details, and report it."
    print(f"neumary: a fault of the program: {type(fault).__name__}: {said}.{hint}", file=sys.stderr)
    if spoken.verbose:
        traceback.print_exc()
    return int(ExitCode.SOME_FAILED)


def _interrupt(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Entry point of the command ``neumary``; a polite kill counts as Ctrl-C.

    Pages go side by side, one thread each: the libraries are told before they load.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    signal.signal(signal.SIGTERM, _interrupt)
    sys.exit(run())
