"""What is gathered of a run, and its fingerprint."""

from __future__ import annotations

import hashlib
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from logger.journal.checkpoint import freeze
from logger.journal.journal import Journal, JournalReader
from logger.journal.own import checkpoint_key
from logger.report.contract import ReportError
from logger.report.fingerprint import HEAD, canonical
from logger.report.record import Folded, Record, folded, record_of
from tests.core.folding import NS, T0
from tests.report.records import ASSAYS, BOOT, listed, readings, said_later, write_journal


@pytest.fixture(scope="module")
def whole(run_journal: Path) -> Folded:
    return folded(run_journal)


@pytest.fixture(scope="module")
def record(whole: Folded) -> Record:
    return record_of(whole)


def test_a_run_is_gathered_whole(record: Record) -> None:
    """Times, books, tally and findings are those that the fold and the journal hold."""
    assert (record.run.run, record.run.lot) == ("run-1", "L-0412")
    assert (record.start_ns, record.end_ns) == (T0 + 5 * NS, T0 + 700 * NS)
    assert not record.open
    assert record.clock_trusted
    assert record.wall(T0) == T0
    lot = record.lot_json()
    assert lot is not None
    assert lot["net_kg"] == pytest.approx(398.3)
    assert record.tally()["outlets"]["concentrate"]["delivered_kg"] > 1.0
    assert {each.kind for each in record.findings} >= {"rates", "tally", "alarm", "recognised"}
    assert all(record.start_ns <= each.at_ns <= record.end_ns + 2 * NS for each in record.findings)
    assert [each.kind for each in record.tallies_told] == ["run-closed"]
    assert "concentrate" in record.scales()
    assert record.weigh_up() is not None


def test_what_cant_be_gathered_says_what_to_do(tmp_path: Path, whole: Folded) -> None:
    with pytest.raises(ReportError, match="--journal"):
        folded(tmp_path / "none.sqlite")
    with pytest.raises(ReportError, match='no run "run-9" in this record; there is run-1'):
        record_of(whole, "run-9")
    empty = tmp_path / "empty.sqlite"
    write_journal(empty, listed((), readings(720.0)[:200]))
    with pytest.raises(ReportError, match="no run in this record yet"):
        record_of(folded(empty))


def test_a_checkpoint_changes_nothing_but_the_time_it_takes(journal: Path, record: Record) -> None:
    digest = record.digest
    key = checkpoint_key(digest)
    with closing(Journal.open(journal, boot_id=BOOT, offset_ns=T0, ballast_bytes=0)) as opened:
        middle = folded(journal)
        opened.save_checkpoint(middle.last_seq - 10, key, freeze(_folded_to(journal, middle.last_seq - 10)))
    again = record_of(folded(journal, key_of=checkpoint_key))
    assert again.tally() == record.tally()
    assert again.run_json() == record.run_json()
    assert again.fingerprint == record.fingerprint


def _folded_to(path: Path, seq: int) -> object:
    from logger.core.bay import Bay
    from tests.report.records import configuration

    bay = Bay(configuration().bay)
    with JournalReader(path) as reader:
        for entry in reader.read(0, seq, findings=False):
            bay.apply(entry)  # type: ignore[arg-type]
    return bay


def test_a_checkpoint_that_is_spoiled_is_passed_over(journal: Path, record: Record) -> None:
    with closing(Journal.open(journal, boot_id=BOOT, offset_ns=T0, ballast_bytes=0)) as opened:
        opened.save_checkpoint(100, checkpoint_key(record.digest), b"no checkpoint")
    assert record_of(folded(journal, key_of=checkpoint_key)).tally() == record.tally()


# -- the fingerprint ---------------------------------------------------------------------------------


def test_the_fingerprint_is_a_digest_of_the_entries(record: Record, run_journal: Path) -> None:
    """Computed here in the plainest way from the documented form."""
    mark = record.fingerprint
    numbers = {*range(mark.first_seq, mark.last_seq + 1), *mark.later}
    with JournalReader(run_journal) as reader:
        lines = [canonical(each) for each in reader.read() if each.seq in numbers]
    assert len(lines) == mark.entries
    assert hashlib.sha256(HEAD + "".join(lines).encode()).hexdigest() == mark.digest


def test_the_fingerprint_stays_after_vacuum_and_copy(journal: Path, record: Record) -> None:
    connection = apsw.Connection(str(journal))
    connection.execute("VACUUM")
    connection.pragma("wal_checkpoint(TRUNCATE)")
    connection.close()
    assert record_of(folded(journal)).fingerprint == record.fingerprint


def test_the_fingerprint_changes_with_a_single_digit(journal: Path, record: Record) -> None:
    connection = apsw.Connection(str(journal))
    connection.execute("UPDATE readings SET number = number + 1 WHERE seq = 9001")
    assert connection.changes() == 1
    connection.close()
    assert record_of(folded(journal)).fingerprint != record.fingerprint


def test_the_fingerprint_heeds_what_was_said_of_the_run_later(journal: Path, record: Record) -> None:
    said_later(journal, ASSAYS[:1])
    after = record_of(folded(journal)).fingerprint
    assert after.digest != record.fingerprint.digest
    assert after.later[-1] > after.last_seq


def test_the_fingerprint_heeds_nothing_that_is_not_about_the_run(journal: Path, record: Record) -> None:
    """Another lot, a run of it, and what was said in its course."""
    others = (
        (711.0, {"action": "open-lot", "lot": "L-0413", "gross": "90 kg"}),
        (712.0, {"action": "settings", "values": {"tilt": "3 deg"}}),
        (713.0, {"action": "start-run", "lot": "L-0413"}),
        (715.0, {"action": "note", "text": "another lot"}),
        (716.0, {"action": "acknowledge", "alarm": "all"}),
        (718.0, {"action": "end-run"}),
    )
    said_later(journal, others)
    assert record_of(folded(journal), "run-1").fingerprint == record.fingerprint


def test_a_correction_and_what_it_corrects_are_in_the_fingerprint(journal: Path, record: Record) -> None:
    """A run whose lot is corrected, and a note that is taken back, years later."""
    whole = folded(journal)
    note = next(each["entry"] for each in whole.fold.books.said_json() if each["action"] == "note")
    said_later(journal, ((730.0, {"action": "withdraw", "entry": note, "why": "of another day"}),))
    mark = record_of(folded(journal)).fingerprint
    assert mark.digest != record.fingerprint.digest
    assert len(mark.later) == len(record.fingerprint.later) + 1
