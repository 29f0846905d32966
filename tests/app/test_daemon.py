"""A whole daemon on real wires: life and replay agree, restarts resume, stops are clean."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from logger.app import Daemon, StartError
from logger.core.bay import Bay
from logger.core.entries import Finding, Reading
from logger.journal.journal import JournalReader
from logger.replay import from_journal
from logger.simulator.troubles import ContainerChange, Unplugged
from tests.app.bays import OwnProcess, running_bay, running_daemon, until, write_configuration


def all_read(daemon: Daemon) -> bool:
    """Whether every instrument has given a reading."""
    return all(each["age_s"] is not None for each in daemon.loop.snapshot()["instruments"])


def text(findings: list[Finding]) -> list[str]:
    """Findings without their own seq, which the journal gives."""
    return [json.dumps(f[:-1], sort_keys=True, ensure_ascii=False) for f in findings]


def test_replaying_the_journal_gives_the_live_findings_to_the_byte(tmp_path: Path) -> None:
    """Actions, a container change, an unplugged scale and an alarm, on ptys and TCP, then folded again."""
    live: list[Finding] = []
    with running_bay(tmp_path, speed=8.0) as bay, running_daemon(bay, tmp_path, live.extend) as daemon:
        until(lambda: all_read(daemon), what="a reading from every instrument")
        assert daemon.loop.submit({"action": "start-run"}, "test").accepted
        until(lambda: bay.now_s > 70, what="70 s of the bay")
        bay.hurry(ContainerChange(bay.now_s, "tailings", without_s=10.0))
        bay.hurry(Unplugged(bay.now_s, "concentrate", bay.now_s + 60))
        until(lambda: any(f.kind == "alarm" for f in live), what="an alarm")
        until(lambda: any(f.data.get("what") == "container-changed" for f in live), what="the change")
        daemon.loop.submit({"action": "note", "text": "noted"}, "test")
        daemon.loop.submit({"action": "acknowledge", "alarm": "all"}, "test")
        assert daemon.loop.submit({"action": "end-run"}, "test").accepted
        path, description = daemon.journal_path, daemon.configuration.bay
    with JournalReader(path) as reader:
        records = list(reader.read())
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    told = [record for record in records if isinstance(record, Finding)]
    assert text(told) == text(live)
    again: list[Finding] = []
    from_journal(description, (r for r in records if not isinstance(r, Finding)), again.append)
    assert text(again) == text(told)


def test_a_restart_resumes_run_and_tally_from_the_checkpoint(tmp_path: Path) -> None:
    with running_bay(tmp_path, speed=5.0) as bay:
        with running_daemon(bay, tmp_path) as first:
            until(lambda: all_read(first), what="a reading from every instrument")
            first.loop.submit({"action": "start-run", "run": "kept"}, "test")
            until(lambda: bay.now_s > 60, what="a minute of the bay")
            before = first.loop.tally("kept")
        begun = time.monotonic()
        with running_daemon(bay, tmp_path) as second:
            until(lambda: second.loop.snapshot()["recording"]["message"] == "", what="folding")
            assert time.monotonic() - begun < 10
            after = second.loop.tally("kept")
            assert [run["run"] for run in second.loop.runs()] == ["kept"]
    assert before is not None
    assert after is not None
    assert after["feed_kg"] >= before["feed_kg"] - 0.05
    assert after["open"]


def test_without_a_checkpoint_the_past_is_folded_again_behind(tmp_path: Path) -> None:
    """Another digest of the code: recording starts at once, and no alarm sounds about the past."""
    with running_bay(tmp_path, speed=5.0) as bay:
        with running_daemon(bay, tmp_path) as first:
            until(lambda: all_read(first), what="a reading from every instrument")
            first.loop.submit({"action": "open-lot", "lot": "L1"}, "test")
            first.loop.submit({"action": "start-run", "lot": "L1"}, "test")
            until(lambda: bay.now_s > 40, what="40 s of the bay")
            expected = first.loop.tally("run-1")
            first.loop._key = "an older version's"
        live: list[Finding] = []
        with running_daemon(bay, tmp_path, live.extend) as second:
            until(lambda: second.loop.snapshot()["recording"]["message"] == "", what="folding")
            found = second.loop.tally("run-1")
            begun_ns = second.loop.bay.at_ns
            until(lambda: second.loop.bay.at_ns > begun_ns + 5 * 10**9, what="live folding")
        with JournalReader(second.journal_path) as reader:
            bay_again = Bay(second.configuration.bay)
            for record in reader.read(findings=False):
                bay_again.apply(record)
    assert found is not None
    assert expected is not None
    assert (
        found["outlets"]["tailings"]["delivered_kg"] >= expected["outlets"]["tailings"]["delivered_kg"] - 0.05
    )
    assert bay_again.seq > 0
    assert [f for f in live if f.kind == "alarm"] == []


def test_two_daemons_cannot_keep_one_journal(tmp_path: Path) -> None:
    with running_bay(tmp_path) as bay, running_daemon(bay, tmp_path):
        with pytest.raises(Exception, match="another") as caught, running_daemon(bay, tmp_path):
            pass
        assert "journal" in str(caught.value)


def test_a_taken_port_is_said_and_everything_is_let_go(tmp_path: Path) -> None:
    from logger.commands.demo import demo_daemon

    with running_bay(tmp_path) as bay, running_daemon(bay, tmp_path) as first:
        port = int(first.board.url.rstrip("/").rsplit(":", 1)[1])
        second = demo_daemon(bay, tmp_path / "other", port, bay.speed, lambda found: None)
        with pytest.raises(Exception, match=str(port)):
            second.start()
        third = demo_daemon(bay, tmp_path / "other", 0, bay.speed, lambda found: None)
        third.start()
        third.stop()


def test_a_configuration_without_ports_is_refused(tmp_path: Path) -> None:
    from logger.settings import loads

    text = (
        f'[stations.t]\ntarget="60 kg/h"\nresolution="5 g"\noutlets=["a"]\n[journal]\ndirectory="{tmp_path}"'
    )
    with pytest.raises(StartError, match="nothing reads feed, a"):
        Daemon(loads(text)).start()


def test_sigterm_ends_the_daemon_cleanly_with_everything_written(tmp_path: Path) -> None:
    with running_bay(tmp_path, speed=1.0) as bay:
        own = OwnProcess(write_configuration(bay, tmp_path))
        client = own.client()
        until(lambda: client.state()["seq"] > 50, what="fifty entries")
        answer = client.submit({"action": "note", "text": "the last word"})
        assert own.terminate() == 0
    with JournalReader(own.directory / "journal.sqlite") as reader:
        records = list(reader.read())
    assert records[answer.seq - 1].body.text == "the last word"
    assert records[-1].kind == "stop"
    assert sum(isinstance(record, Reading) for record in records) > 40
    assert not (own.directory / "address.json").exists()


def test_a_damaged_journal_is_set_aside_and_said_on_the_board(tmp_path: Path) -> None:
    (tmp_path / "journal").mkdir()
    (tmp_path / "journal" / "journal.sqlite").write_bytes(b"SQLite format 3\0" + b"\xff" * 9000)
    with running_bay(tmp_path) as bay, running_daemon(bay, tmp_path) as daemon:
        until(lambda: all_read(daemon), what="a reading from every instrument")
        alarms = daemon.loop.snapshot()["alarms"]
        assert daemon.journal.set_aside is not None
        assert daemon.journal.set_aside.exists()
    assert [alarm["kind"] for alarm in alarms] == ["journal-set-aside"]


def test_an_empty_journal_where_a_record_was_is_set_aside_and_said_on_the_board(tmp_path: Path) -> None:
    with running_bay(tmp_path) as bay:
        with running_daemon(bay, tmp_path) as first:
            path = first.journal_path
        path.write_bytes(b"")
        with running_daemon(bay, tmp_path) as daemon:
            until(lambda: daemon.loop.snapshot()["alarms"], what="the alarm")
            (alarm,) = daemon.loop.snapshot()["alarms"]
            assert daemon.journal.set_aside is not None
            assert daemon.journal.set_aside.stat().st_size == 0
    assert alarm["kind"] == "journal-set-aside"
    assert "its file was empty" in alarm["what"]


@pytest.mark.parametrize("killed", [False, True])
def test_what_could_not_be_written_until_the_stop_is_entered_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, killed: bool
) -> None:
    """Once, before the new life, also where that is killed; what was said counts, and the alarm ends."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    with running_bay(tmp_path) as bay:
        with running_daemon(bay, tmp_path) as first:
            until(lambda: all_read(first), what="a reading from every instrument")
            first.loop._ask(lambda: None)
            away = first.directory.rename(tmp_path / "away")
            first.directory.write_text("in the way")
            until(lambda: first.loop.snapshot()["recording"]["state"] == "not-recorded", what="the alarm")
            assert not first.loop.submit({"action": "start-run", "run": "kept"}, "test").recorded
        first.directory.unlink()
        away.rename(first.directory)
        (file,) = (tmp_path / "state").glob("journal.rescued-*")
        with JournalReader(file) as reader:
            saved = list(reader.read())
        if killed:
            own = OwnProcess(write_configuration(bay, tmp_path))
            own.client()
            until(lambda: boots(first.journal_path) == 2, what="its boot in the journal")
            own.kill()
        with running_daemon(bay, tmp_path) as second:
            until(lambda: second.loop.snapshot()["recording"]["message"] == "", what="folding")
            assert [run["run"] for run in second.loop.runs()] == ["kept"]
            (alarm,) = second.loop.snapshot()["alarms"]
            path = second.journal_path
    with JournalReader(path) as reader:
        records = list(reader.read())
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    assert (alarm["kind"], alarm["state"]) == ("record-at-risk", "returned-unacknowledged")
    at = saved[0].seq - 1
    assert records[at : at + len(saved)] == saved
    word, boot = records[at + len(saved) : at + len(saved) + 2]
    assert (word.kind, word.data["state"], boot.kind) == ("journal", "recorded", "boot")
    assert boots(path) == (3 if killed else 2)


def boots(path: Path) -> int:
    """How often the daemon of a journal was started, as far as it is written."""
    with JournalReader(path) as reader:
        return sum(getattr(record, "kind", "") == "boot" for record in reader.read())


def test_an_unreadable_checkpoint_only_costs_folding_again(tmp_path: Path) -> None:
    with running_bay(tmp_path) as bay:
        with running_daemon(bay, tmp_path) as first:
            until(lambda: all_read(first), what="a reading from every instrument")
            first.loop.submit({"action": "start-run", "run": "kept"}, "test")
            key = first.loop._key
        from logger.clock import Clock
        from logger.journal.journal import Journal

        clock = Clock(1.0)
        journal = Journal.open(first.journal_path, boot_id=clock.boot_id, offset_ns=clock.offset_ns)
        for spoiled in (journal.last_seq - 1, journal.last_seq):
            journal.save_checkpoint(spoiled, key, b"no pickle of ours")
        journal.close()
        with running_daemon(bay, tmp_path) as second:
            until(lambda: second.loop.snapshot()["recording"]["message"] == "", what="folding")
            assert [run["run"] for run in second.loop.runs()] == ["kept"]
