"""The commands of a night's run: `read`, and `status` to see how it went."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from neumary.errors import ExitCode, UsageError
from neumary.iiif import LONGEST_SIDE_PX
from neumary.line_rule import DEFAULT_RULE
from neumary.scan import LIMIT_MEGAPIXELS
from neumary.settings import FLAT_SCOPES, LINES, NOTATIONS, ONLY, REPERTOIRES, make_settings
from neumary.voice import CONTEXT, put_event, put_json, say, say_error, voice, voice_options

if TYPE_CHECKING:
    from neumary.batch import BatchReport, PageReport, Run
    from neumary.inputs import Inputs
    from neumary.page_turns import Turn

FAILURES_SHOWN: Final = 20
TURNS_SHOWN: Final = 10
RETRY: Final = ("failed",)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@click.command(context_settings=CONTEXT)
@click.argument("inputs", metavar="INPUT...", nargs=-1)
@click.option("-o", "--out", type=click.Path(path_type=Path), required=True, help="Folder for the results.")
@click.option(
    "--lines", type=click.Choice(LINES), default="auto", show_default=True, help="Lines in a staff."
)
@click.option(
    "--notation",
    type=click.Choice(NOTATIONS),
    default="auto",
    show_default=True,
    help="Kind of notation, where it is found out wrongly.",
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
    "--line-colours",
    metavar="RULE",
    default=DEFAULT_RULE,
    show_default=True,
    help="What the colours of one or two lines mean.",
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
    "--text",
    type=click.Path(path_type=Path),
    metavar="FILE|DIR",
    help="Lyrics: plain text, PAGE or ALTO of one page, or a folder with a file per page id.",
)
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
@click.option(
    "--iiif-pixels",
    type=click.IntRange(200),
    metavar="N",
    default=LONGEST_SIDE_PX,
    show_default=True,
    help="Longest side of pictures asked of a IIIF server.",
)
@click.option(
    "--retry",
    type=click.Choice(RETRY),
    help="Only pages that failed before; all of them where no INPUT is named.",
)
@click.option("--dry-run", is_flag=True, help="List what would be read, and touch nothing.")
@click.option("--strict", is_flag=True, help="Exit 1 also for repaired pages and passed-over manifests.")
@voice_options
def read(
    inputs: tuple[str, ...],
    out: Path,
    jobs: int | None,
    megapixels: float,
    iiif_pixels: int,
    retry: str | None,
    dry_run: bool,
    strict: bool,
    text: Path | None,
    **settings: object,
) -> int:
    """Read pages from pictures, PDF files, IIIF manifests, folders or @LIST files into a folder.

    The same command again goes on where it stopped; pages done already are counted,
    not read again.
    """
    from neumary.batch import Run
    from neumary.inputs import list_inputs
    from neumary.ledger import LEDGER_NAME

    if not inputs and not retry:
        raise UsageError("Nothing to read was named.", "Name pictures or folders; see `neumary read -h`.")
    if retry and not (out / LEDGER_NAME).is_file():
        raise UsageError(f"{out} holds no ledger, so nothing failed there.", "Read into it first.")
    if text is not None:
        settings.update(_text_settings(text, inputs))
    run = Run(out, make_settings(**settings), jobs or _cores(), megapixels, failed_only=bool(retry))
    found = list_inputs(inputs, longest_side_px=iiif_pixels)
    if dry_run:
        return _preview(found, run)
    return _read(found, run, strict)


def _text_settings(text: Path, inputs: tuple[str, ...]) -> dict[str, str]:
    """The lyrics' text as settings; one file is the text of one page."""
    from neumary.lyric_text import text_sha256

    if not text.is_dir() and (len(inputs) != 1 or Path(inputs[0]).is_dir() or inputs[0].startswith("@")):
        raise UsageError(
            f"The text {text} is one file, but more than one page may be read.",
            "Give a folder with a file called <page-id>.txt or .xml for each page.",
        )
    return {"text": str(text), "text_sha256": text_sha256(text)}


def _preview(found: Inputs, run: Run) -> int:
    from neumary.batch import preview

    rows = [
        {
            "page_id": page.ref.page_id,
            "source": page.ref.url or str(page.ref.source),
            "would": state,
            "error": str(page.error or ""),
        }
        for page, state in preview(found, run)
    ]
    for error in found.failed:
        say_error(error)
    if voice().json:
        put_json(rows)
    else:
        for row in rows:
            click.echo("\t".join(row.values()).rstrip())
    _say_skipped(found)
    readable = any(row["would"] != "failed" for row in rows) or (run.failed_only and not rows)
    return int(ExitCode.OK if readable else ExitCode.NO_INPUT)


def _read(found: Inputs, run: Run, strict: bool) -> int:
    from neumary.batch import read_all
    from neumary.progress import choose_progress

    progress = choose_progress(quiet=voice().quiet, json=voice().json)
    for error in found.failed:
        say_error(error)
    _say_skipped(found)
    try:
        report = read_all(found, run, on_start=progress.start, on_page=progress.page)
    finally:
        progress.close()
    if voice().verbose:
        for page in report.pages:
            click.echo(page.trace, nl=False, err=True)
    code = report.exit_code(strict=strict)
    _say_turns(report.turns)
    _put_report(report, code)
    if report.interrupted:
        say("Interrupted. The same command goes on from here.")
    elif run.failed_only and not report.pages:
        say("No page has failed: nothing to do.")
    elif not report.pages and not found.failed:
        say("No pictures were found in what was named.")
    return int(code)


def _say_skipped(found: Inputs) -> None:
    if found.skipped:
        first = found.skipped[0]
        say(f"Skipped {len(found.skipped)} files; the first: {first.path} ({first.why}).")


def _say_turns(turns: list[Turn]) -> None:
    """Custodes against the pages after them; agreement is only counted, or an event like any other."""
    if voice().quiet or not turns:
        return
    if voice().json:
        for turn in turns:
            put_event("page-turn", **asdict(turn))
        return
    said = Counter(turn.verdict for turn in turns)
    say(f"Page turns: {said['agrees']} custodes agree with the next page, {said['disagrees']} disagree.")
    for turn in [turn for turn in turns if turn.verdict != "agrees"][:TURNS_SHOWN]:
        say(f"{turn.page_id}: {turn.text}")


def _put_report(report: BatchReport, code: ExitCode) -> None:
    counts = {result: report.count(result) for result in ("read", "already", "kept", "failed")}
    if voice().json:
        put_json(
            {
                "out": str(report.out),
                "exit_code": int(code),
                **counts,
                "pages": [_page_row(page) for page in report.pages],
                "page_turns": [asdict(turn) for turn in report.turns],
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
    from neumary.ledger import STATES, Ledger, is_running

    with Ledger(out, read_only=True) as ledger:
        rows = list(ledger.rows())
    counts: dict[str, int] = {state: sum(row.state == state for row in rows) for state in STATES}
    failed = [row for row in rows if row.state == "failed"]
    kinds = Counter(row.error_class for row in failed)
    running = is_running(out)
    if voice().json:
        totals = {"out": str(out), "running": running, **counts, "failed_by_class": dict(kinds)}
        put_json({**totals, "pages": [asdict(row) for row in rows]})
    else:
        click.echo(", ".join(f"{count} {state}" for state, count in counts.items()) + ".")
        click.echo("A run is on." if running else "No run is on.")
        if failed:
            why = ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items()))
            click.echo(f"Failed by class of error: {why}.")
        for row in failed[:FAILURES_SHOWN]:
            click.echo(f"{row.page_id}: {row.error} (tried {row.attempts} times)")
        if len(failed) > FAILURES_SHOWN:
            click.echo(f"... and {len(failed) - FAILURES_SHOWN} more; --json lists all.")
    unfinished = len(rows) - counts["done"]
    return int(ExitCode.SOME_FAILED if strict and unfinished else ExitCode.OK)
