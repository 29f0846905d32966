"""`tallydeck replay`: fold a record again and write what is judged now."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.core.entries import Entry, Finding
from logger.journal.journal import JournalError, JournalReader
from logger.journal.own import own_bay
from logger.replay import AlarmWriter, ReplayError, from_files, from_journal, tally_of
from logger.settings import Configuration


@dataclass(frozen=True, slots=True)
class Request:
    readings: Path | None
    actions: Path | None
    journal: Path | None
    run: str | None
    alarms: Path | None
    tally: Path | None


def run_replay(
    request: Request, configuration: Configuration | None, required: Callable[[], Configuration]
) -> tuple[dict[str, Any], list[str]]:
    """Do it; answers the tally and remarks. A journal brings its own configuration if none is given."""
    with contextlib.ExitStack() as stack:
        kept: list[Finding] = []
        if request.journal is not None:
            outcome_bay, notes = _journal(request, configuration, kept.append)
        else:
            assert request.readings is not None  # noqa: S101  (the command line asks for one of the two)
            configuration = configuration or required()
            outcome = from_files(configuration.bay, request.readings, request.actions, kept.append)
            outcome_bay, notes = outcome.bay, outcome.notes
        data = tally_of(outcome_bay, request.run)
        from_ns, to_ns = 0, None
        if request.run is not None:
            run = outcome_bay.books.runs[request.run]
            from_ns, to_ns = run.start_ns, run.end_ns
        if request.alarms is not None:
            writer = AlarmWriter(
                stack.enter_context(request.alarms.open("w", encoding="utf-8")), from_ns=from_ns, to_ns=to_ns
            )
            for finding in kept:
                writer(finding)
        if request.tally is not None:
            request.tally.write_text(json.dumps(data, ensure_ascii=False, indent=2) + "\n", "utf-8")
    return data, notes


def _journal(
    request: Request, configuration: Configuration | None, tell: Callable[[Finding], None]
) -> tuple[Any, list[str]]:
    assert request.journal is not None  # noqa: S101  (asked before)
    if request.actions is not None:
        raise ReplayError("a journal holds its own actions; leave --actions out")
    if not request.journal.is_file():
        raise ReplayError(f"{request.journal}: there is no such journal")
    try:
        reader = JournalReader(request.journal)
        try:
            bay = own_bay(reader)[0] if configuration is None else configuration.bay
            entries: Iterator[Entry] = reader.read(findings=False)  # type: ignore[assignment]
            outcome = from_journal(bay, entries, tell)
        finally:
            reader.close()
    except JournalError as error:
        raise ReplayError(str(error)) from error
    return outcome.bay, outcome.notes
