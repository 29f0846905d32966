"""`tallydeck what-if`: which alarms would have come with other settings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from logger.app import JOURNAL_NAME
from logger.commands.shared import DATA, USAGE, JsonOption, fail, out, print_json
from logger.core.localtime import say_time
from logger.core.walltime import rfc3339
from logger.explain.record import ExplainError, from_journal
from logger.explain.what_if import Pair, pairs, raised, told_then, with_setting
from logger.journal.errors import JournalError
from logger.journal.journal import JournalReader
from logger.settings import SettingsError, bay_of, default_journal_directory


def what_if(
    change: Annotated[
        list[str],
        typer.Option("--set", metavar="KEY=VALUE", help="A setting as in the file: stations.table.target."),
    ],
    journal: Annotated[
        Path | None, typer.Option(metavar="DIR", help="The journal, or its folder, if not the daemon's own.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge the record with other settings: which alarms would have come, which not, which sooner or later.

    Nothing is changed. The whole record is folded twice, so a long one takes its time. Which of the
    alarms were false it does not say.
    """
    directory = journal or default_journal_directory()
    if directory is None:
        fail(USAGE, "name a record with --journal DIR")
    path = directory / JOURNAL_NAME if directory.is_dir() else directory
    try:
        past = from_journal(path, None)
        bay = bay_of(_changed(path, change), "the changed configuration")
        found = pairs(raised(past, past.bay), raised(past, bay))
    except (ExplainError, JournalError, SettingsError) as error:
        fail(DATA, str(error))
    if as_json:
        print_json({"set": change, "alarms": [_row(pair, told_then(past, pair)) for pair in found]})
        return
    for pair in found:
        spell = pair.as_is or pair.changed
        assert spell is not None  # noqa: S101 - a pair has one at least
        when = say_time(spell.raised_ns, past.zone)
        out.print(f"{when}  {spell.id}: {_verdict(pair)}", markup=False)
    came, would = (sum(getattr(p, side) is not None for p in found) for side in ("as_is", "changed"))
    out.print(f"{came} alarms with the settings as they are, {would} with the change", markup=False)


def _changed(path: Path, change: list[str]) -> str:
    with JournalReader(path) as reader:
        digests = [told.subject for told in reader.circumstances("configuration")]
        text = (reader.configuration(digests[-1]) if digests else None) or ""
    for each in change:
        key, sign, value = each.partition("=")
        if not sign or "." not in key.strip():
            fail(USAGE, f'--set: "{each}" is not KEY=VALUE such as stations.table.target="70 kg/h"')
        value = value.strip()
        bare = value[:1] not in ('"', "'", "[", "{") and value not in ("true", "false")
        text = with_setting(text, key.strip(), f'"{value}"' if bare and not _is_number(value) else value)
    return text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _verdict(pair: Pair) -> str:
    moved = pair.moved_s
    if moved is None:
        return "would not come" if pair.changed is None else "would come as well"
    if not moved:
        return "comes at the same moment"
    return f"would come {abs(moved):.0f} s {'later' if moved > 0 else 'sooner'}"


def _row(pair: Pair, told: bool | None) -> dict[str, Any]:
    spell = pair.as_is or pair.changed
    times = {
        name: None if each is None else rfc3339(each.raised_ns)
        for name, each in (("as_is", pair.as_is), ("changed", pair.changed))
    }
    return {"id": spell.id if spell else "", "told": told, **times, "moved_s": pair.moved_s}
