"""`tallydeck export`: the readings of a run, or of the whole record, for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from logger.commands.report import Shown, journal_file
from logger.commands.shared import CANT_CREATE, DATA, USAGE, ConfigOption, err, fail, load


def export(
    run: Annotated[
        str | None, typer.Argument(metavar="RUN", help="Which run; the whole record if left out.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE", help="Where to: .csv or .jsonl.")
    ] = None,
    config: ConfigOption = None,
    journal: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The journal, or its folder, if not the daemon's own.")
    ] = None,
) -> None:
    """Write readings as CSV or JSON lines, each with its lot, run and outlet as the books stand now.

    The journal may be in use by a daemon. The same journal gives the same file, to the byte.
    """
    from logger.exports.csv import write_csv
    from logger.exports.json_lines import write_json_lines
    from logger.exports.tables import READINGS, readings
    from logger.journal.journal import JournalError, JournalReader
    from logger.journal.own import checkpoint_key
    from logger.report.contract import ReportError
    from logger.report.record import folded

    writers = {".csv": write_csv, ".jsonl": write_json_lines}
    if output is None or output.suffix.lower() not in writers:
        fail(USAGE, f"name the file to write with -o; its name ends in {' or '.join(writers)}")
    write = writers[output.suffix.lower()]
    source, shown = journal_file(config, journal), Shown()
    if source.resolve() == output.resolve():
        fail(USAGE, f"{output} is the journal itself; name another file")
    try:
        whole = folded(source, None if config is None else load(config), checkpoint_key, shown)
        books = whole.fold.books
        if run is not None and run not in books.runs:
            known = ", ".join(sorted(books.runs)[:20]) or "none yet"
            fail(DATA, f'there is no run "{run}" in this record; there is {known}')
        with JournalReader(source) as reader:
            after, upto = 0, whole.last_seq
            if run is not None:
                found = books.runs[run]
                after = reader.first_seq_at(found.start_ns) - 1
                if found.end_ns is not None:
                    upto = min(upto, reader.first_seq_at(found.end_ns + 1) - 1)

            def told(row: Sequence[str]) -> None:
                shown((int(row[0]) - after) / max(upto - after, 1), "writing")

            count = write(output, READINGS, readings(reader, whole.fold, after, upto, run), told)
    except (ReportError, JournalError) as error:
        fail(DATA, str(error))
    except OSError as error:
        fail(CANT_CREATE, f"{output}: can't be written: {error.strerror or error}")
    err.print(f"{count} rows are in {output}", markup=False)
