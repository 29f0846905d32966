"""What followers keep in the journal: cursors and what they set aside, in the commits of the entries."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.journal import cursors
from logger.journal.cursors import Aside, Cursor
from logger.journal.journal import Journal, JournalError, JournalReader
from logger.journal.recorder import COMMIT_BOUNDS_S, Recorder
from tests.journal.journal_samples import record

Opened = Callable[..., Journal]


def aside(seq: int, reason: str = "refused") -> Aside:
    return Aside(seq, 1000 + seq, reason, f"reading kg={seq}")


def test_a_cursor_is_kept_with_the_entries_of_its_commit(opened: Opened, path: Path) -> None:
    """Both are there, or, where the commit fails, neither."""
    journal = opened()
    journal.append([record(1)], [Cursor("store", 1, "one", (aside(1),))])
    with pytest.raises(JournalError, match="seq 5 where 2 was due"):
        journal.append([record(5)], [Cursor("store", 5, "five", (aside(5),))])
    with JournalReader(path) as reader:
        assert reader.cursor("store") == (1, "one")
        assert reader.aside("store") == [aside(1)]
        assert reader.last_seq == 1


def test_a_cursor_alone_is_kept_too(opened: Opened) -> None:
    journal = opened()
    journal.append([], [Cursor("store", 0, "new")])
    assert journal.cursor("store") == (0, "new")
    journal.append([record(1)])
    assert journal.last_seq == 1


def test_what_is_set_aside_is_listed_newest_first_and_cleared_by_range(opened: Opened) -> None:
    journal = opened()
    told = tuple(aside(seq) for seq in range(1, 6))
    journal.append([], [Cursor("store", 5, "", told), Cursor("broker", 5, "", (aside(3),))])
    journal.append([], [Cursor("store", 6, "", (aside(6),), ((2, 4),))])
    assert [each.seq for each in journal.aside("store")] == [6, 5, 1]
    assert [each.seq for each in journal.aside("store", limit=2)] == [6, 5]
    assert [each.seq for each in journal.aside("broker")] == [3]


def test_only_so_much_is_listed_of_each_follower(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest go first; another follower's list is not touched."""
    monkeypatch.setattr(cursors, "ASIDE_KEPT", 3)
    journal = opened()
    journal.append([], [Cursor("broker", 1, "", (aside(1),))])
    journal.append([], [Cursor("store", 9, "", tuple(aside(seq) for seq in range(1, 8)))])
    assert [each.seq for each in journal.aside("store")] == [7, 6, 5]
    assert [each.seq for each in journal.aside("broker")] == [1]


def test_a_journal_of_an_older_schema_learns_to_keep_it(opened: Opened, path: Path) -> None:
    fixture = Path(__file__).parent / "fixtures" / "journal-v1.db"
    path.write_bytes(fixture.read_bytes())
    journal = opened()
    journal.append([], [Cursor("store", 1, "x", (aside(1),))])
    assert journal.aside("store") == [aside(1)]


def test_what_is_set_aside_goes_over_into_a_new_file(opened: Opened, path: Path) -> None:
    """A journal whose file was removed under it is copied back, with all that followers kept."""
    journal = opened()
    journal.append([record(1)], [Cursor("store", 1, "x", (aside(1),))])
    path.unlink()
    with pytest.raises(JournalError):
        journal.append([record(2)])
    journal.append([record(2)])
    assert (journal.cursor("store"), journal.aside("store")) == ((1, "x"), [aside(1)])


def test_the_recorder_keeps_the_newest_word_of_each_follower(opened: Opened) -> None:
    """And all that was set aside meanwhile, less what was cleared after it."""
    journal = opened()
    recorder = Recorder(journal)
    recorder.keep(Cursor("store", 1, "one", (aside(1), aside(2))))
    recorder.keep(Cursor("broker", 1, "first"))
    recorder.keep(Cursor("store", 3, "three", (aside(3),), ((2, 2),)))
    recorder.write()
    assert journal.cursor("store") == (3, "three")
    assert journal.cursor("broker") == (1, "first")
    assert sorted(each.seq for each in journal.aside("store")) == [1, 3]


def test_what_could_not_be_kept_is_kept_with_the_next_write(opened: Opened) -> None:
    journal = opened()
    recorder = Recorder(journal)
    recorder.keep(Cursor("store", 1, "one", (aside(1),)))
    journal._connection.pragma("max_page_count", 1)
    for number in range(200):
        recorder.hold(record(number)._replace(seq=0))
    recorder.write()
    assert recorder.failing
    recorder.keep(Cursor("store", 2, "two"))
    journal._connection.pragma("max_page_count", 1 << 20)
    recorder.write()
    assert not recorder.failing
    assert (journal.cursor("store"), journal.aside("store")) == ((2, "two"), [aside(1)])


def test_the_others_are_read_without_the_readings_which_are_counted(opened: Opened, path: Path) -> None:
    journal = opened()
    everything = [record(seq) for seq in range(1, 201)]
    journal.append(everything)
    with JournalReader(path) as reader:
        others, readings = reader.others(20, 180)
    wanted = everything[20:180]
    assert others == [each for each in wanted if type(each).__name__ != "Reading"]
    assert readings == sum(type(each).__name__ == "Reading" for each in wanted) > 0
    assert others


def test_commits_are_counted_by_how_long_they_took(opened: Opened) -> None:
    recorder = Recorder(opened())
    for number in range(1, 31):
        recorder.hold(record(number)._replace(seq=0))
        recorder.write()
    counts = recorder.counts
    assert sum(counts.took) == counts.commits == 30
    assert counts.readings + sum(counts.garbage.values()) < counts.committed == 30
    assert counts.readings == sum(type(record(n)).__name__ == "Reading" for n in range(1, 31))
    assert 0 < counts.took_s < 30 * COMMIT_BOUNDS_S[-1]


def test_the_index_of_what_is_set_aside_is_used(opened: Opened) -> None:
    """To clear a range must not look at every row."""
    plan = opened()._all(
        "EXPLAIN QUERY PLAN DELETE FROM aside WHERE follower = 'store' AND seq >= 5 AND seq <= 9"
    )
    assert "aside_by_seq" in str(plan)
