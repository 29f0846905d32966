"""`tallydeck explain`: why an alarm came, or why none did, in words, as figures, or as a picture."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.table import Table

from logger.app import JOURNAL_NAME
from logger.commands.shared import (
    CANT_CREATE,
    DATA,
    USAGE,
    ActionsOption,
    ConfigOption,
    JsonOption,
    ReadingsOption,
    err,
    fail,
    load,
    out,
    print_json,
)
from logger.core.localtime import read_time, say_time
from logger.core.rules.said import minutes
from logger.core.units import UnitError, parse_quantity
from logger.core.walltime import rfc3339
from logger.explain.figures import to_json
from logger.explain.record import ExplainError, Past, from_journal, from_readings
from logger.explain.spells import NS, Spell, spells
from logger.explain.story import MOST_S, judged_spells, tell
from logger.explain.wanted import Wanted
from logger.explain.words import in_words
from logger.journal.own import checkpoint_key

KINDS = (".png", ".svg", ".pdf")


@dataclass(slots=True)
class Progress:
    """How far the fold is, on stderr, for whoever waits longer than a second or two."""

    shown: bool = False
    next_s: float = 0.0

    def __call__(self, part: float) -> None:
        now_s = time.monotonic()
        if not self.next_s:
            self.next_s = now_s + 2.0
        if now_s >= self.next_s and part < 1.0:
            self.next_s, self.shown = now_s + 1.0, True
            err.print(f"folding the record: {part:.0%}", markup=False)


def explain(
    alarm: Annotated[
        str | None,
        typer.Argument(
            metavar="ALARM",
            help="An alarm's id, or with --at an outlet, the feed or an instrument. Left out: list alarms.",
        ),
    ] = None,
    config: ConfigOption = None,
    journal: Annotated[
        Path | None, typer.Option(metavar="DIR", help="The journal, or its folder, if not the daemon's own.")
    ] = None,
    readings: ReadingsOption = None,
    actions: ActionsOption = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="TIME", help='When: 06:10, or "2026-03-02 06:10:30", by the bay\'s clock.'
        ),
    ] = None,
    before: Annotated[str, typer.Option(metavar="TIME", help="How much of the time before.")] = "10 min",
    after: Annotated[str, typer.Option(metavar="TIME", help="How much of the time after.")] = "5 min",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE", help="A picture: .png, .svg or .pdf.")
    ] = None,
    text: Annotated[bool, typer.Option("--text", help="Say it in words, also with a picture.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say why an alarm came, or why none did: what was expected, what came, and what held it back.

    It folds the record again, up to that time; a journal in use by a daemon can be read.
    """
    try:
        past = _past(config, journal, readings, actions)
        for note in past.notes:
            err.print(f"tallydeck: {note}", markup=False)
        if alarm is None:
            _list(past, as_json)
            return
        wanted = _wanted(past, alarm, at, before, after)
        if output is not None and output.suffix.lower() not in KINDS:
            fail(USAGE, f"{output}: a picture's name ends in {', '.join(KINDS)}")
        story = tell(past, wanted, Progress())
    except ExplainError as error:
        fail(DATA, str(error))
    if output is not None:
        _picture(story, output)
    if as_json:
        print_json(to_json(story))
    elif text or output is None:
        for line in in_words(story):
            out.print(line, markup=False)


def _past(config: Path | None, journal: Path | None, readings: Path | None, actions: Path | None) -> Past:
    if readings is not None:
        if journal is not None:
            fail(USAGE, "give one of --readings and --journal")
        return from_readings(load(config), readings, actions)
    if actions is not None:
        fail(USAGE, "a journal holds its own actions; leave --actions out")
    configuration = None if config is None else load(config)
    if journal is None:
        from logger.settings import default_journal_directory

        directory = default_journal_directory() if configuration is None else configuration.journal_directory
        if directory is None:
            fail(USAGE, "name a record with --journal DIR, or the bay's configuration with --config FILE")
        journal = directory
    path = journal / JOURNAL_NAME if journal.is_dir() else journal
    return from_journal(path, configuration, checkpoint_key)


def _wanted(past: Past, alarm: str, at: str | None, before: str, after: str) -> Wanted:
    at_ns = None
    if at is not None:
        try:
            at_ns = read_time(at, past.zone, past.last_ns)
        except ValueError as error:
            fail(USAGE, f"--at: {error}")
    return Wanted(alarm, at_ns, _span(before, "--before"), _span(after, "--after"))


def _span(text: str, option: str) -> int:
    try:
        seconds = float(parse_quantity(text, "time"))
    except UnitError as error:
        fail(USAGE, f"{option}: {error}")
    if not 0.0 <= seconds <= MOST_S:
        fail(USAGE, f'{option}: "{text}" must lie between 0 s and {MOST_S // 60} min')
    return round(seconds)


def _list(past: Past, as_json: bool) -> None:
    """All alarms of the record, the newest last, to choose from."""
    found = judged_spells(past, Progress()) if past.told is None else spells(past.told)
    if as_json:
        print_json([_row(spell) for spell in found])
        return
    if not found:
        out.print(f"{past.name} holds no alarm.", markup=False)
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("when", "alarm", "stood", "what"):
        table.add_column(name)
    for spell in found:
        table.add_row(say_time(spell.from_ns, past.zone), spell.id, _stood(spell), spell.what)
    out.print(table)


def _stood(spell: Spell) -> str:
    how = minutes((spell.over_ns - spell.from_ns) / NS) if spell.over_ns else "stands"
    return f"{how} (suppressed)" if spell.suppressed else how


def _row(spell: Spell) -> dict[str, Any]:
    return {
        "id": spell.id,
        "began": rfc3339(spell.from_ns),
        "over": rfc3339(spell.over_ns) if spell.over_ns else None,
        "suppressed": spell.suppressed,
        "what": spell.what,
    }


def _picture(story: Any, output: Path) -> None:
    from logger.explain.picture import draw

    try:
        draw(story, output)
    except OSError as error:
        fail(CANT_CREATE, f"{output}: can't be written: {error}")
    err.print(f"The picture is in {output}", markup=False)
