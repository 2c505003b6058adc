"""Many pages, unattended: read them, enter them in the ledger, go on where the last run stopped."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import msgspec

from neumary import __version__
from neumary.errors import ExitCode, ModelError, NeumaryError, OutputError, ScanError
from neumary.executor import Executor, InProcess, LocalProcesses
from neumary.fetched import fetch_page, kept_at
from neumary.formats import shown
from neumary.inputs import Inputs
from neumary.ledger import LEDGER_NAME, NOTHING, Ledger, LedgerRow, PageCounts, WorkKey, running_alone
from neumary.models import ModelStamp, check_model
from neumary.plan import PlannedPage, hash_file, is_done, plan_again, plan_pages
from neumary.scan import LIMIT_MEGAPIXELS
from neumary.settings import ReadSettings
from neumary.worker import Outcome, Reader, Task, corrected_by_hand, read_to_files, tidy

if TYPE_CHECKING:
    from neumary.page_turns import Turn

Result = Literal["read", "already", "kept", "failed"]
"""Read now; done by an earlier run; corrected by hand and so left alone; failed."""

PAGE_LIMIT_S: Final = 900.0
"""A page that takes longer is given up; a large one takes seconds."""

OVERVIEW_EVERY_S: Final = 600.0
"""So often ``index.html`` is brought up to date while a run is on."""


@dataclass(frozen=True, slots=True)
class PageReport:
    """How one page of a run went.

    Attributes
    ----------
    page_id, source : str
    result : str
        "read", "already", "kept" or "failed".
    seconds : float
    counts : PageCounts
    error : NeumaryError or None
    trace : str
        Traceback of an unforeseen error.
    """

    page_id: str
    source: str
    result: Result
    seconds: float = 0.0
    counts: PageCounts = NOTHING
    error: NeumaryError | None = None
    trace: str = ""


@dataclass(slots=True)
class BatchReport:
    """How a run went.

    Attributes
    ----------
    out : Path
    pages : list of PageReport
    inputs : Inputs
        With what was skipped and what could not be had.
    interrupted : bool
    retried : bool
        Whether only failed pages were asked for; then none to read is well.
    turns : list of Turn
        Custodes at the ends of this run's pages against the pages after them, read now or earlier.
    """

    out: Path
    inputs: Inputs
    pages: list[PageReport] = field(default_factory=list)
    interrupted: bool = False
    retried: bool = False
    turns: list[Turn] = field(default_factory=list)

    def count(self, result: Result) -> int:
        """Pages with this result."""
        return sum(page.result == result for page in self.pages)

    @property
    def failures(self) -> list[NeumaryError]:
        """Every error of the run: inputs first, then pages."""
        return [*self.inputs.failed, *(page.error for page in self.pages if page.error)]

    def exit_code(self, *, strict: bool = False) -> ExitCode:
        """The exit code this run deserves.

        Parameters
        ----------
        strict : bool
            Repaired pages and manifests passed over in folders count as failures too.
        """
        if self.interrupted:
            return ExitCode.INTERRUPTED
        failures = self.failures
        if self.retried and not self.pages and not failures:
            return ExitCode.OK
        if len(self.pages) == self.count("failed"):
            unreadable = all(isinstance(error, ScanError) for error in failures)
            return ExitCode.NO_INPUT if unreadable else ExitCode.SOME_FAILED
        blemished = any(item.loss for item in self.inputs.skipped) or any(
            page.counts.repairs for page in self.pages
        )
        return ExitCode.SOME_FAILED if failures or (strict and blemished) else ExitCode.OK


@dataclass(frozen=True, slots=True)
class Run:
    """What stays the same for all pages of a run.

    Attributes
    ----------
    out : Path
        Output folder.
    settings : ReadSettings
    jobs : int
        Worker processes.
    limit_megapixels, page_limit_s : float
        Larger or slower pages are given up.
    failed_only : bool
        Only pages that failed before; without inputs, all of them.
    reader : callable or None
        Stand-in for the pipeline (a module-level function); None takes the pipeline.
    """

    out: Path
    settings: ReadSettings
    jobs: int = 1
    limit_megapixels: float = LIMIT_MEGAPIXELS
    page_limit_s: float = PAGE_LIMIT_S
    failed_only: bool = False
    reader: Reader | None = None

    def model(self) -> ModelStamp:
        """Name and hash of the model, checked; empty for a stand-in."""
        return ModelStamp("", "") if self.reader else check_model(self.settings.model)


def read_all(
    inputs: Inputs,
    run: Run,
    *,
    on_start: Callable[[int], None] = lambda total: None,
    on_page: Callable[[PageReport], None] = lambda page: None,
    executor: Executor[Task, Outcome] | None = None,
) -> BatchReport:
    """Read all pages of all inputs into an output folder.

    Pages done before from the same image, with the same settings and model, are not
    read again. Ctrl-C stops the run; what is finished stays, what was in flight is
    read by the next run.

    Parameters
    ----------
    inputs : Inputs
        From `neumary.inputs.list_inputs`.
    run : Run
    on_start : callable
        Told the number of pages.
    on_page : callable
        Told of each page as it ends.
    executor : Executor, optional
        Where pages are worked on; default: local processes.

    Returns
    -------
    BatchReport

    Raises
    ------
    ModelError
        Before any page is touched, if the model is missing or altered.
    OutputError
        If the folder cannot be written, or another run holds it.
    """
    report = BatchReport(run.out, inputs, retried=run.failed_only)
    if not inputs.files and not run.failed_only:
        return report
    stamp = run.model()
    _make_folder(run.out)
    with running_alone(run.out), Ledger(run.out) as ledger:
        number = ledger.begin_run(__version__, msgspec.json.encode(run.settings.as_dict()).decode())
        tidy(run.out)
        known = list(ledger.rows())
        planned = _plan(inputs, run, known)
        ledger.claim((page.ref.page_id, page.ref.origin, page.ref.frame) for page in planned)
        on_start(len(planned))
        executor = executor or _default_executor(run, len(planned))
        threads = _threads(run, len(planned))
        book = _Book(run, stamp, ledger, report, {row.page_id: row for row in known}, on_page, threads)
        try:
            _work(executor, book, planned)
        except KeyboardInterrupt:
            report.interrupted = True
        finally:
            executor.close()
            tidy(run.out)
            ledger.end_run(number)
        turns = _write_overview(run.out, ledger)
    told = {page.page_id for page in report.pages}
    report.turns = [turn for turn in turns if {turn.page_id, turn.following} & told]
    return report


def _plan(inputs: Inputs, run: Run, known: list[LedgerRow]) -> list[PlannedPage]:
    if not run.failed_only:
        return plan_pages(inputs.files, known)
    again = plan_again(known)
    if not inputs.files:
        return again
    named = {page.ref.origin for page in plan_pages(inputs.files, known)}
    return [page for page in again if page.ref.origin in named]


def _threads(run: Run, pages: int) -> int:
    """Threads for one page: a single page may use every core asked for; many go side by side.

    The threads share out rows and channels, never one sum, so the bytes stay the same.
    """
    return min(run.jobs, len(os.sched_getaffinity(0))) if pages <= 1 else 1


def _default_executor(run: Run, pages: int) -> Executor[Task, Outcome]:
    if pages <= 1:
        return InProcess(read_to_files)
    return LocalProcesses(read_to_files, min(run.jobs, pages), run.page_limit_s)


def _work(executor: Executor[Task, Outcome], book: _Book, planned: list[PlannedPage]) -> None:
    in_flight, told = 0, time.monotonic()
    for page in planned:
        if in_flight == executor.capacity:
            book.close(*executor.collect())
            in_flight -= 1
        if time.monotonic() - told >= OVERVIEW_EVERY_S:
            _write_overview(book.run.out, book.ledger)
            told = time.monotonic()
        task = book.open(page)
        if task is not None:
            executor.submit(task)
            in_flight += 1
    for _ in range(in_flight):
        book.close(*executor.collect())


@dataclass(frozen=True, slots=True)
class _Book:
    """Keeps ledger, report and listener in step."""

    run: Run
    stamp: ModelStamp
    ledger: Ledger
    report: BatchReport
    known: dict[str, LedgerRow]
    on_page: Callable[[PageReport], None]
    threads: int  # for one page

    def open(self, page: PlannedPage) -> Task | None:
        """The page's task; None where there is nothing to do."""
        page_id, source = page.ref.page_id, page.ref.url or shown(page.ref.source)
        try:
            page = replace(page, ref=fetch_page(page.ref, self.run.out))
            key = work_key(page, self.run.settings, self.stamp)
        except ScanError as error:
            self.ledger.begin(page_id, WorkKey("", "", "", ""))
            self._fail(PageReport(page_id, source, "failed", error=error))
            return None
        row = self.known.get(page_id)
        if row is not None and is_done(row, key, self.run.out):
            self._tell(PageReport(page_id, source, "already", counts=row.counts))
            return None
        if corrected_by_hand(self.run.out / page_id):
            self._tell(PageReport(page_id, source, "kept", counts=row.counts if row else NOTHING))
            return None
        self.ledger.begin(page_id, key)
        run = self.run
        return Task(page.ref, key, run.out, run.settings, run.limit_megapixels, self.threads, run.reader)

    def close(self, task: Task, outcome: Outcome | NeumaryError) -> None:
        """Enter how a page went; errors that would meet every page end the run."""
        page_id, source = task.ref.page_id, task.ref.url or shown(task.ref.source)
        if isinstance(outcome, NeumaryError):
            outcome = Outcome(0.0, error=outcome)
        if outcome.error is None:
            self.ledger.finish(page_id, outcome.seconds, outcome.counts, outcome.overview)
            self._tell(PageReport(page_id, source, "read", outcome.seconds, outcome.counts))
            return
        error, seconds = outcome.error, outcome.seconds
        self._fail(PageReport(page_id, source, "failed", seconds, error=error, trace=outcome.trace))
        if isinstance(error, OutputError | ModelError):
            raise error

    def _fail(self, page: PageReport) -> None:
        self.ledger.fail(page.page_id, page.seconds, type(page.error).__name__, str(page.error))
        self._tell(page)

    def _tell(self, page: PageReport) -> None:
        self.report.pages.append(page)
        self.on_page(page)


def work_key(page: PlannedPage, settings: ReadSettings, stamp: ModelStamp) -> WorkKey:
    """What decides whether a page must be read again; hashes its file.

    Raises
    ------
    ScanError
        If the file cannot be read.
    """
    if page.error is not None:
        raise page.error
    return WorkKey(hash_file(page.ref.source), settings.sha256, stamp.name, stamp.sha256)


def preview(inputs: Inputs, run: Run) -> Iterator[tuple[PlannedPage, str]]:
    """What a run would do with each page, touching nothing.

    Yields
    ------
    page : PlannedPage
    state : str
        "read", "already", "kept" or "failed".
    """
    stamp = run.model()
    known: list[LedgerRow] = []
    if (run.out / LEDGER_NAME).is_file():
        with Ledger(run.out, read_only=True) as ledger:
            known = list(ledger.rows())
    by_id = {row.page_id: row for row in known}
    for page in _plan(inputs, run, known):
        if page.error is not None:
            yield page, "failed"
            continue
        here = replace(page, ref=kept_at(page.ref, run.out))
        to_fetch = bool(page.ref.url) and not here.ref.source.is_file()
        row = by_id.get(page.ref.page_id)
        if not to_fetch and is_done(row, work_key(here, run.settings, stamp), run.out):
            yield page, "already"
        else:
            yield page, "kept" if corrected_by_hand(run.out / page.ref.page_id) else "read"


def _make_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = error.strerror or str(error)
        raise OutputError(f"{out} cannot be made a folder: {why}.", "Give another one with -o.") from error


def _write_overview(out: Path, ledger: Ledger) -> list[Turn]:
    """Write ``index.html`` over everything the ledger knows, this run or earlier; give its page turns."""
    from neumary.page_turns import Place, find_turns
    from neumary.report import PageRow, write_index

    rows = [
        PageRow(page_id, failure=error) if error else msgspec.json.decode(overview, type=PageRow)
        for page_id, overview, error in ledger.overviews()
    ]
    places = [Place(row.page_id, row.source, row.frame) for row in ledger.rows()]
    turns = find_turns(places, {row.page_id: row.edges for row in rows if row.edges is not None})
    of_page = {turn.page_id: turn for turn in turns}
    write_index(out, [replace(row, turn=of_page.get(row.page_id)) for row in rows])
    return turns
