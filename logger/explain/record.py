"""Where the past comes from: a journal (also one that a daemon writes to) or a CSV with its actions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from logger.core.bay import Bay as Fold
from logger.core.description import Bay
from logger.core.entries import Entry, Finding
from logger.journal.journal import JournalError, JournalReader
from logger.journal.own import own_bay, resumed
from logger.replay import ReplayError, entries_of_files
from logger.settings import Configuration


class ExplainError(Exception):
    """It can't be explained; the text says what was asked, what there is, and what to do."""


def _no_checkpoint(before_ns: int) -> tuple[int, Fold] | None:
    del before_ns
    return None


@dataclass(frozen=True, slots=True)
class Past:
    """A record that can be folded. ``entries(after)`` are those with a greater seq. ``resume(before_ns)`` is
    the fold as a checkpoint kept it before a station time, with its seq; None where there is none.
    ``told`` holds the alarms that a person was told then; None: a CSV holds readings alone, and what is
    judged now is all there is. ``name`` is for messages."""

    name: str
    bay: Bay
    entries: Callable[[int], Iterator[Entry]]
    first_ns: int
    last_ns: int
    told: list[Finding] | None = None
    notes: list[str] = field(default_factory=list)
    resume: Callable[[int], tuple[int, Fold] | None] = _no_checkpoint

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.bay.time_zone)


def from_journal(
    path: Path, configuration: Configuration | None, key_of: Callable[[str], str] | None = None
) -> Past:
    """A journal, read only; by its own configuration where none is given. ExplainError, in words.

    ``key_of`` gives the key of checkpoints from a configuration's digest; None: always from the start.
    """
    if not path.is_file():
        raise ExplainError(f"{path}: there is no such journal; name its file or folder with --journal")
    try:
        with JournalReader(path) as reader:
            told = list(reader.findings("alarm"))
            digests = [c.subject for c in reader.circumstances("configuration")]
            notes = []
            if configuration is None:
                bay, digest = own_bay(reader)
            else:
                bay, digest = configuration.bay, configuration.digest
            if digests and digest != digests[-1]:
                notes.append(
                    "the configuration is not the one that the record was last written with: what is judged "
                    "now may differ from what was told"
                )
            first_ns, last_ns = reader.first_at_ns, reader.last_at_ns
    except JournalError as error:
        raise ExplainError(str(error)) from error
    if not last_ns:
        raise ExplainError(f"{path}: holds no entry yet")
    return Past(
        str(path), bay, lambda after: _entries(path, after), first_ns, last_ns, told, notes,
        _no_checkpoint if key_of is None else partial(_resume, path, key_of(digest)),
    )  # fmt: skip


def _resume(path: Path, key: str, before_ns: int) -> tuple[int, Fold] | None:
    """The newest checkpoint before a time: what came just now need not be folded from the start."""
    try:
        with JournalReader(path) as reader:
            return resumed(reader, key, reader.first_seq_at(before_ns) - 1)
    except JournalError:
        return None  # what is wrong with the file is told when it is read


def _entries(path: Path, after: int) -> Iterator[Entry]:
    try:
        with JournalReader(path) as reader:
            yield from reader.read(after=after, findings=False)  # type: ignore[misc]
    except JournalError as error:
        raise ExplainError(str(error)) from error


def from_readings(configuration: Configuration, readings: Path, actions: Path | None) -> Past:
    """A CSV as `tallydeck replay` takes it. ExplainError, in words."""
    notes: list[str] = []
    try:
        listed = entries_of_files(configuration.bay, readings, actions, notes)
        entries = [entry._replace(seq=seq) for seq, entry in enumerate(listed, 1)]
    except ReplayError as error:
        raise ExplainError(str(error)) from error
    return Past(
        str(readings), configuration.bay, lambda after: iter(entries[after:]), entries[0].at_ns,
        max(entry.at_ns for entry in entries), None, notes,
    )  # fmt: skip
