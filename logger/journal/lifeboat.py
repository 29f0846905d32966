"""What could not be written by the end is saved in a file of its own, and entered at the next start.

A rescue file is a journal like any other, so whatever reads journals reads it. It is kept, in this order,
beside the journal, or in a service's folders (``STATE_DIRECTORY``, ``LOGS_DIRECTORY``); without a service, in
the user's state folder or a folder of the user's own among the temporary files (a service may have its
temporary files taken away when it stops). The first place that can be written takes it.
"""

from __future__ import annotations

import contextlib
import logging
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from logger.core.entries import Circumstance, Record
from logger.journal.errors import JournalError, explained
from logger.journal.journal import Journal, JournalReader
from logger.journal.room import COMPANIONS, beside, sync_folder
from logger.settings import default_journal_directory

log = logging.getLogger("tallydeck.journal")

_MARK = ".rescued-"
_REMOVED = ".removed-"
_ENTERED = ".entered"
_FROM = "rescued-from"  # the cursor of a rescue file that names its journal


class Taken(NamedTuple):
    """What `take_in` did: records entered, and the journal's file if a damaged one was set aside."""

    records: int = 0
    set_aside: Path | None = None
    why_set_aside: str = ""


class _Boat(NamedTuple):
    """What a rescue file holds; ``boot`` is the boot id and offset (ns) of the life that it comes from."""

    file: Path
    boot: tuple[str, int]
    records: list[Record]


def places(path: Path, env: Mapping[str, str] | None = None) -> list[Path]:
    """The folders where a rescue file of the journal at ``path`` may be, the best first."""
    env = os.environ if env is None else env
    told = [env.get(name, "").split(":")[0] for name in ("STATE_DIRECTORY", "LOGS_DIRECTORY")]
    found = [Path(each) for each in told if each.startswith("/")]
    if not found:
        home = default_journal_directory(env)
        own = Path(tempfile.gettempdir()) / f"tallydeck-{os.getuid()}"
        found = [each for each in (home, own if _is_ours(own) else None) if each is not None]
    return list(dict.fromkeys([path.parent, *found]))


def _is_ours(folder: Path) -> bool:
    """Whether nobody else can have laid something in that folder; one that is not there can be made so."""
    try:
        state = folder.lstat()
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return folder.is_dir() and state.st_uid == os.getuid() and not state.st_mode & 0o022


# ---------------------------------------------------------------------- at the stop


def save(held: Sequence[Record], journal: Journal) -> Path:
    """Write records to the first place that takes them; its file. JournalError: none does."""
    why = []
    for folder in places(journal.path):
        try:
            file = _free_name(folder, journal.path)
            _write(file, held, journal)
        except (JournalError, OSError) as error:
            why.append(f"{folder}: {error}")
        else:
            return file
    raise JournalError(f"no place could be written: {'; '.join(why)}", "io")


def save_past(journal: Journal) -> Path | None:
    """Copy the record itself, if its file was removed and could not be copied back; the copy.

    None where there is no need, or no way. It is not entered by `take_in`: a person puts it back.
    """
    for folder in places(journal.path):
        try:
            file = _free_name(folder, journal.path, _REMOVED)
            part = beside(file, ".part")
            file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            try:
                if not journal.copy_if_gone(part):
                    return None
                part.rename(file)
                sync_folder(file.parent)
            finally:
                _remove(part)
        except (JournalError, OSError) as error:
            log.error("the journal can't be copied to %s: %s", folder, error)
        else:
            return file
    return None


def _free_name(folder: Path, path: Path, mark: str = _MARK) -> Path:
    number = 1
    while True:
        file = folder / f"{path.stem}{mark}{number}{path.suffix}"
        if not file.exists() and not beside(file, _ENTERED).exists():
            return file
        number += 1


def _write(file: Path, held: Sequence[Record], journal: Journal) -> None:
    """Whole under its name, or not at all."""
    part = beside(file, ".part")
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    _remove(part)
    try:
        boot_id, offset_ns = journal.boot
        boat = Journal.open(part, boot_id=boot_id, offset_ns=offset_ns, ballast_bytes=0)
        try:
            for digest, text in _configurations(journal):
                boat.remember_configuration(digest, text)
            boat.save_cursor(_FROM, 0, _name_of(journal.path))
            boat.append(held)
            with explained(part, "closing the rescue file"):  # no log beside it: one file can be carried off
                boat._connection.pragma("journal_mode", "delete")
        finally:
            boat.close()
        if beside(part, "-wal").exists():
            raise JournalError(f"{part}: its log can't be folded in", "io")
        part.rename(file)
        sync_folder(file.parent)
    finally:
        _remove(part)


def _remove(part: Path) -> None:
    for suffix in ("", ".lock", *COMPANIONS):
        with contextlib.suppress(OSError):
            beside(part, suffix).unlink(missing_ok=True)


def _name_of(path: Path) -> str:
    return path.absolute().as_uri()  # links are not followed: at the stop they may be hidden


def _configurations(journal: Journal) -> list[tuple[str, str]]:
    """So that a rescue file can be replayed by itself; none where the journal can't be read either."""
    with contextlib.suppress(JournalError):
        return [(str(row[0]), str(row[1])) for row in journal._all("SELECT digest, text FROM configurations")]
    return []


# ---------------------------------------------------------------------- at the start


def take_in(path: Path, env: Mapping[str, str] | None = None) -> Taken:
    """Enter what rescue files hold where it goes on from the end of the journal at ``path``.

    To be called before the journal is opened for a new life: the records keep their seqs, times and boot,
    and a ``journal`` Circumstance ``recorded`` behind them ends what they say of the trouble, all in one
    transaction. The file is then renamed to end in ``.entered``; one found again after a crash between the
    two is recognised by its records. One that does not fit (the journal went on without it) is left alone
    and said. Raises JournalError where the journal itself can't be opened or written: a life begun without
    them would take their place.
    """
    taken = Taken()
    for boat in _boats(path, env):
        boot_id, offset_ns = boat.boot
        journal = Journal.open(path, boot_id=boot_id, offset_ns=offset_ns)
        try:
            taken = taken._replace(records=taken.records + _enter(boat, journal))
        finally:
            journal.close()
        if journal.set_aside is not None:
            taken = taken._replace(set_aside=journal.set_aside, why_set_aside=journal.why_set_aside)
    return taken


def _boats(path: Path, env: Mapping[str, str] | None) -> list[_Boat]:
    """The rescue files of that journal, in the order of their records."""
    boats = []
    for folder in places(path, env):
        files: list[Path] = []
        with contextlib.suppress(OSError):
            files = sorted(folder.glob(f"{path.stem}{_MARK}*{path.suffix}"))
        for file in files:
            try:
                boat = _read(file, None if folder == path.parent else _name_of(path))
            except (JournalError, OSError) as error:
                log.error("%s was saved at a stop and can't be read; keep it: %s", file, error)
                continue
            boats += [boat] if boat is not None else []
    return sorted(boats, key=lambda boat: boat.records[0].seq)


def _read(file: Path, journal: str | None) -> _Boat | None:
    """None where it holds nothing, or belongs to another journal than that of this name."""
    with JournalReader(file) as reader:
        whose = reader._one("SELECT state FROM cursors WHERE name = ?", (_FROM,))
        if journal is not None and whose != journal:
            return None
        boots = reader._all("SELECT boot_id, offset_ns FROM boots ORDER BY id LIMIT 1")
        records = list(reader.read())
    return _Boat(file, (str(boots[0][0]), int(boots[0][1])), records) if boots and records else None


def _enter(boat: _Boat, journal: Journal) -> int:
    """The number of records entered now."""
    records, before, entered = boat.records, journal.last_seq, 0
    first, last = records[0].seq, records[-1].seq
    begun_anew = journal._ends() == (0, 0) and first > before
    if begun_anew or first == before + 1:
        message = f"{len(records)} records that were saved at a stop were entered from {boat.file}."
        at_ns = max(record.at_ns for record in records)
        data = {"state": "recorded", "message": message}
        _append(journal, [*records, Circumstance(at_ns, "journal", "", data, last + 1)])
        log.warning("%s", message, extra={"tallydeck": {"kind": "rescue-entered", "file": boat.file}})
        entered = len(records) + 1
    elif not _holds(journal, records):
        log.error(
            "%d records saved at a stop are in %s only: they are entries %d to %d, and %s goes to %d without "
            'them. Keep that file; "tallydeck replay --journal" shows what it holds',
            len(records),
            boat.file,
            first,
            last,
            journal.path,
            before,
        )
        return 0
    try:
        boat.file.rename(beside(boat.file, _ENTERED))
        sync_folder(boat.file.parent)
    except OSError as error:  # its records are known again at the next start
        log.warning("%s was entered and can't be renamed: %s", boat.file, error)
    return entered


def _holds(journal: Journal, records: list[Record]) -> bool:
    with contextlib.suppress(JournalError):
        return list(journal.read(after=records[0].seq - 1, upto=records[-1].seq)) == records
    return False


def _append(journal: Journal, records: Sequence[Record]) -> None:
    """As the recorder does: after a failure the ballast makes room, and a second try puts damage right."""
    try:
        journal.append(records)
    except JournalError:
        journal.release_ballast()
        journal.append(records)
