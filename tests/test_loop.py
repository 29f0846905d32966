"""The loop: nothing is told before it is recorded, and nothing that can be held is lost."""

from __future__ import annotations

import contextlib
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from logger.core.bay import Bay
from logger.core.entries import Circumstance, Finding, Reading, Record
from logger.journal.cursors import Cursor
from logger.journal.journal import Journal, JournalReader
from logger.journal.lifeboat import take_in
from logger.loop import Loop
from tests.app.bays import until
from tests.core.folding import T0, configuration

OFFSET_NS = T0 - 10**15


class HandClock:
    """A clock that the test sets."""

    boot_id = "test-boot"

    def __init__(self) -> None:
        self.at_ns = T0
        self.step = 0
        self.believed = False

    def now_ns(self) -> int:
        return self.at_ns

    def step_ns(self) -> int:
        return self.step

    def trusted(self) -> bool:
        return self.believed


class House:
    """A loop on a real journal; ``told`` gathers what followers hear, ``recorded`` what a reader sees."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = HandClock()
        self.journal = Journal.open(path, boot_id="test-boot", offset_ns=OFFSET_NS)
        self.told: list[Finding] = []
        self.loop = Loop(Bay(configuration().bay), self.journal, self.clock, told=self.told.extend)
        self.loop.start()

    def recorded(self) -> list[Record]:
        with JournalReader(self.path) as reader:
            return list(reader.read())

    def read(self, channel: str = "concentrate", number: int = 1000) -> None:
        self.loop.put(Reading(self.clock.at_ns, channel, number, -3, "kg", True))

    def close(self) -> None:
        self.loop.stop()
        self.journal.close()

    def fill_disk(self) -> None:
        """No page more for the database: SQLite's own error for a full disk."""
        self._inside(lambda: self.journal._connection.pragma("max_page_count", 1))

    def make_room(self) -> None:
        self._inside(lambda: self.journal._connection.pragma("max_page_count", 1 << 20))

    def _inside(self, work: Callable[[], Any]) -> None:
        """Do something in the loop's thread, which owns the connection."""
        self.loop._ask(lambda: work() and None)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with contextlib.closing(House(tmp_path / "journal.sqlite")) as made:
        yield made


def test_a_snapshot_shows_only_what_is_committed(house: House) -> None:
    seen: list[tuple[int, int]] = []

    def look() -> None:
        seen.append((house.loop._snapshot["seq"], house.journal.last_seq))

    end = house.loop.watch(look)
    for number in range(200):
        house.clock.at_ns += 20_000_000
        house.read(number=1000 + number)
        time.sleep(0.002)
    until(lambda: house.journal.last_seq >= 200, what="200 entries")
    end()
    assert seen
    assert all(shown <= committed for shown, committed in seen)


def test_entries_and_findings_are_numbered_without_holes(house: House) -> None:
    house.read()
    house.loop.submit({"action": "start-run"}, "test")
    house.loop.submit({"action": "start-run"}, "test")
    records = house.recorded()
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    findings = [(r.kind, r.cause) for r in records if isinstance(r, Finding)]
    causes = {r.seq: type(r).__name__ for r in records}
    assert [kind for kind, _ in findings] == ["run-opened", "refused"]
    assert all(causes[cause] == "Action" for _, cause in findings)


def test_an_answer_comes_after_the_commit(house: House) -> None:
    answer = house.loop.submit({"action": "note", "text": "kept"}, "test")
    assert answer.accepted
    assert answer.recorded
    assert house.recorded()[answer.seq - 1].body.text == "kept"


def test_a_refusal_carries_its_reason_and_is_on_the_record(house: House) -> None:
    answer = house.loop.submit({"action": "end-run"}, "test")
    assert not answer.accepted
    assert "no run is open" in answer.reason
    assert house.recorded()[-1].kind == "refused"


def test_an_action_that_fits_no_schema_is_not_entered(house: House) -> None:
    with pytest.raises(ValidationError):
        house.loop.submit({"action": "note"}, "test")
    assert house.recorded() == []


def test_the_same_id_is_taken_once(house: House) -> None:
    first = house.loop.submit({"action": "open-lot", "lot": "L1", "id": "k"}, "test")
    again = house.loop.submit({"action": "open-lot", "lot": "L1", "id": "k"}, "test")
    assert (again.accepted, again.repeated, again.seq) == (True, True, first.seq)
    assert len(house.recorded()) == 1


def test_who_is_kept(house: House) -> None:
    house.loop.submit({"action": "note", "text": "a"}, "board")
    house.loop.submit({"action": "note", "text": "b", "who": "bay 2"}, "board")
    assert [record.who for record in house.recorded()] == ["board", "bay 2"]


def test_a_tick_is_journalled_only_in_silence(house: House) -> None:
    house.read()
    until(lambda: house.journal.last_seq == 1, what="the reading")
    house.clock.at_ns += 3 * 10**9
    until(lambda: house.journal.last_seq == 2, what="the tick")
    assert [type(record).__name__ for record in house.recorded()] == ["Reading", "Tick"]


def test_a_step_of_the_wall_clock_becomes_an_entry(house: House) -> None:
    house.clock.step = 7_200 * 10**9
    house.clock.at_ns += 2 * 10**9
    until(lambda: house.journal.last_seq >= 1, what="the clock's entry")
    entry = house.recorded()[0]
    assert isinstance(entry, Circumstance)
    assert (entry.kind, entry.data["step_ns"]) == ("clock", 7_200 * 10**9)
    until(lambda: house.loop.snapshot()["wall_step_s"] == 7200.0, what="the step on the board")


def test_a_full_disk_is_loud_and_loses_nothing(house: House) -> None:
    """Folding and answers go on, marked not recorded; with room again all is entered in order."""
    house.read(number=1)
    until(lambda: house.journal.last_seq == 1, what="the first reading")
    house.fill_disk()
    for number in range(2, 3000):
        house.read(number=number)
    answer = house.loop.submit({"action": "note", "text": "during"}, "test")
    assert answer.accepted
    assert not answer.recorded
    snapshot = house.loop.snapshot()
    assert snapshot["recording"]["state"] == "not-recorded"
    assert snapshot["recording"]["held"] >= 2000
    assert "disk" in snapshot["recording"]["message"]
    assert [(a["kind"], a["state"]) for a in snapshot["alarms"]] == [("record-at-risk", "unacknowledged")]
    assert any(f.kind == "alarm" for f in house.told)
    house.make_room()
    house.clock.at_ns += 2 * 10**9
    until(lambda: house.loop.snapshot()["recording"]["state"] == "recorded", what="recording again")
    numbers = [record.number for record in house.recorded() if isinstance(record, Reading)]
    assert numbers == list(range(1, 3000))
    records = house.recorded()
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    states = [r.data["state"] for r in records if isinstance(r, Finding) and r.kind == "alarm"]
    assert states == ["raised", "cleared"]


def test_when_memory_is_full_too_readings_go_first_and_it_is_counted(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.journal.recorder.HELD_LIMIT", 500)
    house.loop.submit({"action": "note", "text": "before"}, "test")
    house.fill_disk()
    for number in range(2000):
        house.read(number=number)
    house.loop.submit({"action": "note", "text": "during"}, "test")
    until(lambda: house.loop.recorder.counts.lost > 0, what="the loss")
    house.make_room()
    house.clock.at_ns += 5 * 10**9
    until(lambda: house.loop.snapshot()["recording"]["state"] == "recorded", what="recording again")
    records = house.recorded()
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    assert [r.body.text for r in records if type(r).__name__ == "Action"] == ["before", "during"]
    kept = sum(isinstance(record, Reading) for record in records)
    assert kept + house.loop.recorder.counts.lost >= 2000


def test_a_fault_in_the_fold_stops_the_figures_but_never_the_record(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.read(number=1)
    until(lambda: house.journal.last_seq == 1, what="the first reading")

    def broken(entry: Any) -> list[Finding]:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(house.loop.bay, "apply", broken)
    for number in range(2, 50):
        house.read(number=number)
    until(lambda: house.journal.last_seq == 49, what="the record going on")
    assert "live figures stopped" in house.loop.snapshot()["recording"]["message"]


def test_stop_writes_what_is_still_in_the_inbox(tmp_path: Path) -> None:
    house = House(tmp_path / "journal.sqlite")
    for number in range(20_000):
        house.read(number=number)
    house.close()
    numbers = [record.number for record in house.recorded() if isinstance(record, Reading)]
    assert numbers == list(range(20_000))


def test_a_folder_removed_right_before_the_stop_is_made_again(tmp_path: Path) -> None:
    """The first try of the stop finds it gone, the second puts it back: no rescue file is needed."""
    house = House(tmp_path / "bay" / "journal.sqlite")
    house.read(number=1)
    until(lambda: house.journal.last_seq == 1, what="the first reading")
    shutil.rmtree(house.path.parent)
    house.read(number=2)
    house.close()
    assert [record.number for record in house.recorded() if isinstance(record, Reading)] == [1, 2]
    assert list(house.path.parent.glob("*rescued*")) == []


def test_what_can_not_be_written_at_the_stop_is_saved_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The log says how many records and where; with the folder back they are entered, without a hole."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    house = House(tmp_path / "bay" / "journal.sqlite")
    house.read(number=1)
    until(lambda: house.journal.last_seq == 1, what="the first reading")
    folder = house.path.parent.rename(tmp_path / "away")
    house.path.parent.write_text("in the way")
    house.read(number=2)
    answer = house.loop.submit({"action": "note", "text": "during"}, "test")
    assert answer.accepted
    assert not answer.recorded
    house.close()
    file = tmp_path / "state" / "journal.rescued-1.sqlite"
    with JournalReader(file) as reader:
        saved = list(reader.read())
    assert f"{len(saved)} records were saved to {file}" in caplog.text
    house.path.parent.unlink()
    folder.rename(house.path.parent)
    assert take_in(house.path).records == len(saved) + 1
    records = house.recorded()
    assert [record.seq for record in records] == list(range(1, len(records) + 1))
    assert [record.number for record in records if isinstance(record, Reading)] == [1, 2]
    assert records[1 : len(saved) + 1] == saved


def test_a_record_that_was_removed_and_can_not_be_put_back_is_copied_elsewhere_at_the_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Put back under its name, as the log says, it is whole again with what the next start enters."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    house = House(tmp_path / "bay" / "journal.sqlite")
    house.read(number=1)
    until(lambda: house.journal.last_seq == 1, what="the first reading")
    shutil.rmtree(house.path.parent)
    house.path.parent.write_text("in the way")
    house.read(number=2)
    house.close()
    past = tmp_path / "state" / "journal.removed-1.sqlite"
    assert f"The record up to entry 1 was copied to {past}" in caplog.text
    names = sorted(file.name for file in past.parent.iterdir())
    assert names == ["journal.removed-1.sqlite", "journal.rescued-1.sqlite"]
    house.path.parent.unlink()
    house.path.parent.mkdir()
    past.rename(house.path)
    assert take_in(house.path).records > 0
    assert [record.number for record in house.recorded() if isinstance(record, Reading)] == [1, 2]


def test_where_nothing_can_be_written_at_the_stop_the_loss_is_said(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("logger.journal.lifeboat.places", lambda path: [])
    house.fill_disk()
    for number in range(3000):
        house.read(number=number)
    house.loop.stop()
    assert "RECORDS ARE LOST: writing the journal: the disk is full" in caplog.text
    assert "no place could be written" in caplog.text


def test_many_threads_may_speak_at_once(house: House) -> None:
    answers: list[int] = []

    def speak(name: str) -> None:
        for number in range(10):
            answers.append(house.loop.submit({"action": "note", "text": f"{name}{number}"}, name).seq)

    threads = [threading.Thread(target=speak, args=(name,)) for name in "abcdefgh"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == list(range(1, 81))


def test_a_listener_that_fails_does_not_touch_the_record(house: House) -> None:
    def fail() -> None:
        raise RuntimeError("a listener's bug")

    house.loop.watch(fail)
    assert house.loop.submit({"action": "note", "text": "kept"}, "test").recorded
    assert house.loop.submit({"action": "note", "text": "too"}, "test").recorded


def test_a_picture_that_fails_does_not_touch_the_record(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> dict[str, Any]:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("logger.loop.picture", fail)
    assert house.loop.submit({"action": "note", "text": "kept"}, "test").recorded
    assert "no live figures" in house.loop.snapshot()["recording"]["message"]
    assert house.loop.alive


def test_a_question_that_fails_is_the_askers_trouble_alone(house: House) -> None:
    """The loop goes on recording."""
    with pytest.raises(ValueError, match="minutes is 0"):
        house.loop.strips("table", 0)
    house.read()
    until(house.recorded, what="the entry")
    assert house.loop.alive


def test_a_followers_cursor_is_kept_with_the_next_commit(house: House) -> None:
    house.loop.keep(Cursor("store", 0, "here"))
    house.read()
    until(house.recorded, what="the entry")
    with JournalReader(house.path) as reader:
        until(lambda: reader.cursor("store") == (0, "here"), what="the cursor")


def test_a_followers_cursor_is_kept_at_the_stop(house: House) -> None:
    house.read()
    until(house.recorded, what="the entry")
    house.loop.keep(Cursor("store", 1, "the last word"))
    house.close()
    with JournalReader(house.path) as reader:
        assert reader.cursor("store") == (1, "the last word")


def test_what_tags_a_reading_can_be_asked_for(house: House) -> None:
    house.loop.submit({"action": "start-run"}, "test")
    tagging = house.loop.tagging()
    assert tagging is not None
    assert [(run, span[0], span[3]) for run, span in tagging.runs.items()] == [("run-1", "table", None)]


def test_while_the_past_is_folded_nobody_is_told_what_tags_a_reading(tmp_path: Path) -> None:
    with contextlib.closing(House(tmp_path / "a.sqlite")) as house:
        house.loop._ask(lambda: setattr(house.loop, "_behind", True))
        assert house.loop.tagging() is None


def test_that_the_clock_can_be_trusted_is_said_once(house: House) -> None:
    """And every later word about the clock keeps to it."""
    house.clock.believed = True
    house.clock.at_ns += 10**9
    clocks = until(
        lambda: [r for r in house.recorded() if isinstance(r, Circumstance) and r.kind == "clock"],
        what="the anchor",
    )
    assert [c.data["trusted"] for c in clocks] == [True]
    house.clock.believed, house.clock.step = False, 5 * 10**9
    house.clock.at_ns += 10**9
    until(lambda: house.loop._step_ns == 5 * 10**9, what="the step seen")
    house.close()
    clocks = [r for r in house.recorded() if isinstance(r, Circumstance) and r.kind == "clock"]
    assert [(c.data["trusted"], c.data["step_ns"]) for c in clocks] == [(True, 0), (True, 5 * 10**9)]
