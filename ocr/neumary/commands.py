"""The commands, each a thin layer over one module."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Final

import click

from neumary.commands_read import read, status
from neumary.errors import ExitCode, OutputError, UsageError
from neumary.voice import CONTEXT, CommandT, put_json, say_error, voice, voice_options

EXPORTS: Final = ("mei", "musicxml", "volpiano", "csv", "annotations", "pagexml")


@click.command(context_settings=CONTEXT)
@voice_options
def models() -> int:
    """List the models at hand, each with its hash, checked against its file."""
    from neumary.models import list_models

    lines = list_models()
    if voice().json:
        put_json([asdict(line) for line in lines])
    else:
        for line in lines:
            mark = "*" if line.default else " "
            click.echo(f"{mark} {line.stamp.name}\t{line.stamp.sha256}\t{line.fault or 'ok'}\t{line.about}")
    return int(ExitCode.MODEL if any(line.fault for line in lines) else ExitCode.OK)


def _near(name: str, default: float, text: str) -> Callable[[CommandT], CommandT]:
    """One tolerance of `score`."""
    return click.option(
        f"--{name}",
        type=click.FloatRange(0, min_open=True),
        metavar="N",
        default=default,
        show_default=True,
        help=text,
    )


@click.command(context_settings=CONTEXT)
@click.argument("out", type=click.Path(path_type=Path))
@click.argument("truth", type=click.Path(path_type=Path))
@click.option(
    "--against", type=click.Path(path_type=Path), metavar="OUT", help="Another run over the same pages."
)
@click.option(
    "--html", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Report with pictures."
)
@_near("note-spaces", 0.5, "Centres of notes this near are one note; staff spaces.")
@_near("sign-spaces", 1.0, "The same for clefs, flats, custodes and divisions.")
@_near("line-spaces", 0.25, "Mean distance up to which a staff line is found.")
@_near("line-overlap", 0.8, "Share of a line that must be covered.")
@voice_options
def score(out: Path, truth: Path, against: Path | None, html: Path | None, **near: float) -> int:
    """Compare pages as read with pages known to be true.

    OUT is a folder written by `neumary read`, or MEI files; TRUTH is one in the same form, or
    holds drawn pages or *.truth.json files. Pages are paired by page id. With --against,
    what got better or worse since another run, page by page.
    """
    from neumary.score import Tolerances, score_folders

    report = score_folders(out, truth, Tolerances(**near))
    change = None
    if against is not None:
        from neumary.score_change import compare_reports

        change = compare_reports(report, score_folders(against, truth, Tolerances(**near)))
    if html is not None:
        from neumary.score_html import report_pictures, write_html

        write_html(report, report_pictures(report, (truth, out)), html)
    if voice().json:
        put_json(report.as_dict() | ({} if change is None else {"against": change.as_dict()}))
    else:
        from rich.console import Console

        console = Console(soft_wrap=not sys.stdout.isatty())
        for table in (report.table(), *(change.tables() if change else ())):
            console.print(table)
    return int(ExitCode.OK)


@click.command(context_settings=CONTEXT)
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Folder for the pages.")
@click.option("-n", "--pages", type=click.IntRange(1), default=1, show_default=True, help="How many pages.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="Seed of the first page.")
@click.option(
    "--kind", metavar="KIND", default=None, help="One kind of source for all; mixed where left out."
)
@click.option("--lossless", is_flag=True, help="PNG instead of JPEG.")
@click.option(
    "--sheet",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="A picture of so many mixed pages and their signs at a glance.",
)
@click.option(
    "-j", "--jobs", type=click.IntRange(1), metavar="N", default=1, show_default=True, help="Processes."
)
@voice_options
def render(
    out: Path | None, pages: int, seed: int, kind: str | None, lossless: bool, sheet: Path | None, jobs: int
) -> int:
    """Draw pages of invented books, each with its exact truth beside it.

    The same seed gives the same bytes.
    """
    from neumary_synth.contact import contact_sheet
    from neumary_synth.plan import KINDS
    from neumary_synth.render import render_many

    if out is None and sheet is None:
        raise UsageError("Nothing to write to was named.", "Give a folder with -o, or a file with --sheet.")
    if kind is not None and kind not in KINDS:
        raise UsageError(f"There is no kind of page called {kind!r}.", f"Take one of {', '.join(KINDS)}.")
    drawn: list[Path] = []
    try:
        if out is not None:
            drawn += render_many(pages, out, seed, kind, jobs, lossless=lossless)
        if sheet is not None:
            contact_sheet(sheet, seed, n_pages=pages)
            drawn.append(sheet)
    except OSError as error:
        where = error.filename or sheet or out
        why = error.strerror or str(error)
        raise OutputError(f"{where} cannot be written: {why}.", "Give another place.") from error
    if voice().json:
        put_json([str(path) for path in drawn])
    else:
        for path in drawn:
            click.echo(path)
    return int(ExitCode.OK)


@click.command(context_settings=CONTEXT)
@click.argument("out", type=click.Path(path_type=Path), required=False)
@click.option("--to", type=click.Choice(EXPORTS), help="Format to write.")
@click.option(
    "-o",
    "--target",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Where to write; default: a place within OUT.",
)
@click.option(
    "--canvas",
    metavar="PATTERN",
    default="",
    help="Canvas ids for annotations, with {page}, {number} or {source}.",
)
@click.option("--schema", is_flag=True, help="Print the JSON Schema of page.json instead.")
@voice_options
def export(out: Path | None, to: str | None, target: Path | None, canvas: str, schema: bool) -> int:
    """Write the pages of a result folder in another format.

    mei, musicxml and volpiano become one file for the whole book, or with a folder for -o
    one file a page; csv, annotations and pagexml become a folder.
    """
    if schema:
        from neumary.store import schema_bytes

        click.echo(schema_bytes(), nl=False)
        return int(ExitCode.OK)
    if out is None or to is None:
        raise UsageError(
            "An export needs a result folder and a format.", f"Try `neumary export {out or 'OUT'} --to mei`."
        )
    from neumary.export import export_folder

    done = export_folder(out, to, target, canvas)
    for error in done.failed:
        say_error(error)
    if voice().json:
        counts = asdict(done.counts)
        put_json({"format": to, "files": done.files, "pages": done.pages, **counts, "beyond": done.beyond})
    else:
        for line in done.lines():
            click.echo(line)
        where = (
            done.files[0] if len(done.files) == 1 else f"{len(done.files)} files in {done.files[0].parent}"
        )
        click.echo(f"Written: {where}")
    return int(ExitCode.SOME_FAILED if done.failed else ExitCode.OK)


COMMANDS: Final = (read, status, score, export, render, models)
"""In the order of a working day."""
