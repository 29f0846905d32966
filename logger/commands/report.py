"""`tallydeck report`: a run as a page for the customer, to be read anywhere or printed."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Annotated

import typer

from logger.commands.shared import CANT_CREATE, DATA, USAGE, ConfigOption, err, fail, load

KINDS = (".html", ".pdf")


class Shown:
    """How far it is, on stderr, for whoever waits longer than two seconds."""

    def __init__(self) -> None:
        self._next_s = time.monotonic() + 2.0

    def __call__(self, part: float, doing: str) -> None:
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + 1.0
            err.print(f"{doing}: {part:.0%}", markup=False)


def report(
    run: Annotated[
        str | None, typer.Argument(metavar="RUN", help="Which run; the newest if left out.")
    ] = None,
    config: ConfigOption = None,
    journal: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The journal, or its folder, if not the daemon's own.")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="Where to: .html or .pdf; RUN.html if left out."),
    ] = None,
    paper: Annotated[str, typer.Option(help="Paper to print on: a4 or letter.")] = "a4",
) -> None:
    """Make the report of a run for the customer: one HTML file that needs nothing else, or a PDF.

    The journal may be in use by a daemon. The same journal gives the same file, to the byte.
    """
    from logger.journal.own import checkpoint_key
    from logger.report.contract import ReportError
    from logger.report.page import PAPERS
    from logger.report.record import folded, record_of
    from logger.report.run import run_report

    if paper not in PAPERS:
        fail(USAGE, f"--paper {paper}: there is {' and '.join(PAPERS)}")
    if output is not None and output.suffix.lower() not in KINDS:
        fail(USAGE, f"{output}: a report's name ends in {' or '.join(KINDS)}")
    shown = Shown()
    try:
        whole = folded(
            journal_file(config, journal), None if config is None else load(config), checkpoint_key, shown
        )
        record = record_of(whole, run, shown)
        html = run_report(record, paper=paper, progress=shown)
    except ReportError as error:
        fail(DATA, str(error))
    target = output or Path(f"{_file_name(record.run.run)}.html")
    if target.suffix.lower() == ".pdf":
        from logger.report.pdf import pdf

        shown(0.95, "printing")
        content = pdf(html)
    else:
        content = html.encode("utf-8", "replace")
    write_whole(target, content)
    err.print(f"The report of {record.run.run} is in {target}", markup=False)


def journal_file(config: Path | None, journal: Path | None) -> Path:
    """The journal's file: the one named, else the bay's own."""
    from logger.app import JOURNAL_NAME
    from logger.settings import default_journal_directory

    if journal is None:
        journal = default_journal_directory() if config is None else load(config).journal_directory
        if journal is None:
            fail(USAGE, "name a record with --journal FILE, or the bay's configuration with --config FILE")
    return journal / JOURNAL_NAME if journal.is_dir() else journal


def _file_name(run: str) -> str:
    """A run's name as one of a file in this folder."""
    return "".join(each if each.isalnum() or each in "-_." else "_" for each in run).lstrip(".") or "run"


def write_whole(target: Path, content: bytes) -> None:
    """Write a file whole or not at all; what stood there before stays until then."""
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content)
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        fail(CANT_CREATE, f"{target}: can't be written: {error.strerror or error}")
