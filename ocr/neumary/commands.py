"""The commands, each a thin layer over one module."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from neumary.errors import ExitCode, OutputError, UsageError
from neumary.scan import LIMIT_MEGAPIXELS
from neumary.settings import FLAT_SCOPES, LINES, ONLY, REPERTOIRES, make_settings
from neumary.voice import CONTEXT, put_json, say, voice, voice_options

if TYPE_CHECKING:
    from neumary.batch import BatchReport, PageReport, Run
    from neumary.inputs import Inputs

FAILURES_SHOWN: Final = 20


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@click.command(context_settings=CONTEXT)
@click.argument("inputs", metavar="INPUT...", nargs=-1, required=True)
@click.option("-o", "--out", type=click.Path(path_type=Path), required=True, help="Folder for the results.")
@click.option(
    "--lines", type=click.Choice(LINES), default="auto", show_default=True, help="Lines in a staff."
)
@click.option(
    "--repertoire",
    type=click.Choice(REPERTOIRES),
    default="chant",
    show_default=True,
    help="For song and polyphony, chant names and chant assumptions are withheld.",
)
@click.option(
    "--flat-scope",
    type=click.Choice(FLAT_SCOPES),
    default="auto",
    show_default=True,
    help="How far a flat holds.",
)
@click.option(
    "--decide/--no-decide",
    default=True,
    help="Weigh clefs, custodes and melody together, and overrule weak readings; on by default.",
)
@click.option(
    "--only", type=click.Choice(ONLY), default="all", show_default=True, help="Stop after the staff lines."
)
@click.option("--model", metavar="NAME|FILE", default="", help="A model of `neumary models`, or a file.")
@click.option(
    "-j",
    "--jobs",
    type=click.IntRange(1),
    metavar="N",
    default=None,
    help="Pages at a time; default: all cores.",
)
@click.option(
    "--megapixels",
    type=click.FloatRange(0, min_open=True),
    metavar="N",
    default=LIMIT_MEGAPIXELS,
    show_default=True,
    help="Refuse larger pictures.",
)
@click.option("--dry-run", is_flag=True, help="List what would be read, and touch nothing.")
@click.option("--strict", is_flag=True, help="Exit 1 also for repaired pages and skipped PDF files.")
@voice_options
def read(
    inputs: tuple[str, ...],
    out: Path,
    jobs: int | None,
    megapixels: float,
    dry_run: bool,
    strict: bool,
    **settings: object,
) -> int:
    """Read pages from pictures, folders of pictures, or @LIST files into a folder.

    The same command again goes on where it stopped; pages done already are counted,
    not read again.
    """
    from neumary.batch import Run
    from neumary.inputs import list_inputs

    run = Run(out, make_settings(**settings), jobs or _cores(), megapixels)
    found = list_inputs(inputs)
    if dry_run:
        return _preview(found, run)
    return _read(found, run, strict)


def _preview(found: Inputs, run: Run) -> int:
    from neumary.batch import preview

    rows = [
        {
            "page_id": page.ref.page_id,
            "source": str(page.ref.source),
            "would": state,
            "error": str(page.error or ""),
        }
        for page, state in preview(found, run)
    ]
    for error in found.failed:
        say(str(error))
    if voice().json:
        put_json(rows)
    else:
        for row in rows:
            click.echo("\t".join(row.values()).rstrip())
    _say_skipped(found)
    return int(ExitCode.OK if any(row["would"] != "failed" for row in rows) else ExitCode.NO_INPUT)


def _read(found: Inputs, run: Run, strict: bool) -> int:
    from neumary.batch import read_all
    from neumary.progress import choose_progress

    progress = choose_progress(quiet=voice().quiet)
    for error in found.failed:
        click.echo(f"neumary: {error}", err=True)
    _say_skipped(found)
    try:
        report = read_all(found, run, on_start=progress.start, on_page=progress.page)
    finally:
        progress.close()
    if voice().verbose:
        for page in report.pages:
            click.echo(page.trace, nl=False, err=True)
    code = report.exit_code(strict=strict)
    _put_report(report, code)
    if report.interrupted:
        say("Interrupted. The same command goes on from here.")
    elif not report.pages and not found.failed:
        say("No pictures were found in what was named.")
    return int(code)


def _say_skipped(found: Inputs) -> None:
    if found.skipped:
        first = found.skipped[0]
        say(f"Skipped {len(found.skipped)} files; the first: {first.path} ({first.why}).")


def _put_report(report: BatchReport, code: ExitCode) -> None:
    counts = {result: report.count(result) for result in ("read", "already", "kept", "failed")}
    if voice().json:
        put_json(
            {
                "out": str(report.out),
                "exit_code": int(code),
                **counts,
                "pages": [_page_row(page) for page in report.pages],
                "inputs_failed": [str(error) for error in report.inputs.failed],
                "skipped": [{"path": str(item.path), "why": item.why} for item in report.inputs.skipped],
            }
        )
        return
    if len(report.pages) == 1 and report.pages[0].error is None:
        _put_summary(report.out / report.pages[0].page_id)
    click.echo(
        f"{counts['read']} read, {counts['already']} done already, {counts['kept']} kept, "
        f"{counts['failed'] + len(report.inputs.failed)} failed. Overview: {report.out / 'index.html'}"
    )


def _put_summary(folder: Path) -> None:
    from neumary.store import load_page
    from neumary.summary import summarise

    for line in summarise(load_page(folder / "page.json"), folder):
        click.echo(line)


def _page_row(page: PageReport) -> dict[str, Any]:
    row = {"page_id": page.page_id, "source": page.source, "result": page.result}
    return {**row, "seconds": round(page.seconds, 3), **asdict(page.counts), "error": str(page.error or "")}


@click.command(context_settings=CONTEXT)
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--strict", is_flag=True, help="Exit 1 if pages failed or still wait.")
@voice_options
def status(out: Path, strict: bool) -> int:
    """Tell how far the pages of a result folder have got, and which ones failed."""
    from neumary.ledger import Ledger

    with Ledger(out, read_only=True) as ledger:
        rows = list(ledger.rows())
    counts = {
        state: sum(row.state == state for row in rows) for state in ("done", "failed", "reading", "waiting")
    }
    if voice().json:
        put_json({"out": str(out), **counts, "pages": [asdict(row) for row in rows]})
    else:
        click.echo(", ".join(f"{count} {state}" for state, count in counts.items()) + ".")
        failed = [row for row in rows if row.state == "failed"]
        for row in failed[:FAILURES_SHOWN]:
            click.echo(f"{row.page_id}: {row.error} (tried {row.attempts} times)")
        if len(failed) > FAILURES_SHOWN:
            click.echo(f"... and {len(failed) - FAILURES_SHOWN} more; --json lists all.")
    unfinished = len(rows) - counts["done"]
    return int(ExitCode.SOME_FAILED if strict and unfinished else ExitCode.OK)


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


@click.command(context_settings=CONTEXT)
@click.argument("out", type=click.Path(path_type=Path))
@click.argument("truth", type=click.Path(path_type=Path))
@voice_options
def score(out: Path, truth: Path) -> int:
    """Compare pages as read with pages known to be true.

    OUT is a folder written by `neumary read`; TRUTH is one in the same form, or holds
    *.truth.json files. Pages are paired by page id.
    """
    from neumary.score import score_folders

    report = score_folders(out, truth)
    if voice().json:
        put_json(report.as_dict())
    else:
        from rich.console import Console

        Console(soft_wrap=not sys.stdout.isatty()).print(report.table())
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


COMMANDS: Final = (read, status, score, render, models)
"""In the order of a working day."""
