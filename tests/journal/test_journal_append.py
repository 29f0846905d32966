"""Entering, reading back in part, checkpoints, configurations, cursors."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.core.entries import Finding, Reading
from logger.journal.journal import Journal, JournalError, JournalReader, boot_offset, last_moment
from tests.journal.journal_samples import OFFSET_NS, record, records

Opened = Callable[..., Journal]


def test_a_new_journal_is_empty(opened: Opened) -> None:
    """Nothing was before, nothing is to be read, nothing was set aside."""
    journal = opened()
    assert (journal.last_seq, journal.last_at_ns, journal.set_aside) == (0, 0, None)
    assert list(journal.read()) == []
    assert journal.first_seq_at(OFFSET_NS) == 1


def test_entering_nothing_changes_nothing(opened: Opened) -> None:
    journal = opened()
    journal.append([])
    assert journal.last_seq == 0


def test_seq_and_time_go_on_after_reopening(opened: Opened) -> None:
    """A second opening knows where the first one ended, and goes on there."""
    journal = opened()
    journal.append(records(1, 40))
    journal.close()
    again = opened(boot_id="boot-b", offset_ns=OFFSET_NS + 5)
    assert again.last_seq == 40
    assert again.last_at_ns == record(40).at_ns
    again.append(records(41, 60))
    assert list(again.read()) == records(1, 60)


@pytest.mark.parametrize("seqs", [(2, 4), (4, 5), (1, 1), (6, 7)])
def test_a_seq_out_of_order_is_refused_whole(opened: Opened, seqs: tuple[int, int]) -> None:
    """Neither a repeated seq nor a hole gets in, and nothing of that append does."""
    journal = opened()
    journal.append(records(1, 4))
    with pytest.raises(JournalError, match=r"where 5 was due") as caught:
        journal.append([record(seq) for seq in seqs if seq != 5] + records(5, 6))
    assert caught.value.kind == "order"
    assert list(journal.read()) == records(1, 4)
    journal.append(records(5, 6))
    assert journal.last_seq == 6


def test_a_failed_append_forgets_the_ids_it_made(opened: Opened) -> None:
    """Channels and stretches met in a refused append are entered properly the next time."""
    journal = opened()
    new = [
        Reading(OFFSET_NS, "new", 1, 0, "kg", seq=1),
        Reading(OFFSET_NS + 2**50, "other", 2, -1, "g", seq=2),
    ]
    with pytest.raises(JournalError):
        journal.append([*new, record(9)])
    journal.append(new)
    assert list(journal.read()) == new


def test_after_upto_findings_and_chunk_select_exactly(opened: Opened) -> None:
    """Every combination gives what filtering the whole gives."""
    journal = opened()
    whole = records(1, 100)
    journal.append(whole)
    for after in (0, 1, 33, 99, 100, 200):
        for upto in (None, 0, 1, 50, 100, 500):
            for findings in (True, False):
                for chunk in (1, 7, 5000):
                    expected = [
                        item
                        for item in whole
                        if after < item.seq <= (100 if upto is None else upto)
                        and (findings or not isinstance(item, Finding))
                    ]
                    assert list(journal.read(after, upto, findings=findings, chunk=chunk)) == expected


def test_first_seq_at_finds_the_moment(opened: Opened) -> None:
    """By bisection, the same as by looking at every record."""
    journal = opened()
    whole = records(1, 200)
    journal.append(whole)
    for at_ns in (0, record(1).at_ns, record(77).at_ns, record(77).at_ns + 1, record(200).at_ns, 2**62):
        expected = next((item.seq for item in whole if item.at_ns >= at_ns), 201)
        assert journal.first_seq_at(at_ns) == expected


def test_what_comes_in_while_reading_is_left_out(opened: Opened) -> None:
    """A reading loop ends although the journal grows under it."""
    journal = opened()
    journal.append(records(1, 10))
    seen = []
    for item in journal.read(chunk=2):
        seen.append(item)
        journal.append([record(journal.last_seq + 1)])
    assert seen == records(1, 10)


def test_the_newest_two_checkpoints_of_the_newest_keys_are_kept(opened: Opened) -> None:
    """Two under each key, and keys that are no longer written make room."""
    journal = opened()
    for number in range(5):
        journal.save_checkpoint(number, "fold", b"%d" % number)
    assert journal.load_checkpoint("fold") == (4, b"4")
    assert journal.load_checkpoint("fold", older=1) == (3, b"3")
    assert journal.load_checkpoint("fold", older=2) is None
    for number in range(4):
        journal.save_checkpoint(9, f"other-{number}", b"x")
    assert journal.load_checkpoint("fold") is None
    assert journal.load_checkpoint("other-0") == (9, b"x")


def test_configurations_and_cursors_are_remembered(opened: Opened) -> None:
    """The first text under a digest stays; a cursor moves."""
    journal = opened()
    journal.remember_configuration("d1", "[bay]\n")
    journal.remember_configuration("d1", "something else")
    journal.save_cursor("store", 5, "a")
    journal.save_cursor("store", 7, "b")
    journal.close()
    journal = opened()
    assert journal.configuration("d1") == "[bay]\n"
    assert journal.configuration("d2") is None
    assert journal.cursor("store") == (7, "b")
    assert journal.cursor("broker") == (0, "")


def test_the_offset_of_a_boot_can_be_asked_for_before_opening(opened: Opened, path: Path) -> None:
    """The newest of that boot; none of a boot, a file or a journal that is not there."""
    assert boot_offset(path, "boot-a") is None
    assert last_moment(path) == 0
    journal = opened()
    assert boot_offset(path, "boot-a") is None
    journal.append(records(1, 5))
    assert boot_offset(path, "boot-a") == OFFSET_NS
    assert last_moment(path) == record(5).at_ns
    journal.close()
    opened(offset_ns=OFFSET_NS + 9).append(records(6, 7))
    assert boot_offset(path, "boot-a") == OFFSET_NS + 9
    assert boot_offset(path, "boot-b") is None


def test_a_closed_journal_says_so(opened: Opened) -> None:
    """Closing twice is nothing; writing afterwards is an error with a message."""
    journal = opened()
    journal.close()
    journal.close()
    with pytest.raises(JournalError, match="closed"):
        journal.append(records(1, 1))
    with pytest.raises(JournalError, match="closed"):
        list(journal.read())


def test_a_clean_close_leaves_no_log(opened: Opened, path: Path) -> None:
    """All is in the one file that a person may copy."""
    journal = opened()
    journal.append(records(1, 500))
    assert journal.wal_bytes() > 0
    journal.close()
    assert journal.wal_bytes() == 0
    with JournalReader(path) as reader:
        assert reader.last_seq == 500


def test_only_one_daemon_writes(opened: Opened, path: Path) -> None:
    """A second writer is refused while the first one holds the journal, and let in afterwards."""
    first = opened()
    with pytest.raises(JournalError, match="another daemon") as caught:
        opened()
    assert caught.value.kind == "busy"
    first.close()
    assert opened().last_seq == 0


def test_a_reading_takes_at_most_25_bytes(opened: Opened, path: Path) -> None:
    """Ten channels at 10 Hz, more than two million before them, a day after the boot."""
    opened().close()
    empty = path.stat().st_size
    journal = opened()
    count, day_ns = 20_000, 86_400 * 10**9
    first = 2_100_000
    journal.append(
        [
            Reading(
                OFFSET_NS + day_ns + index * 10_000_000,
                f"s{index % 10}",
                70_000 + index % 9,
                -3,
                "kg",
                True,
                seq=first + index,
            )
            for index in range(count)
        ]
    )
    journal.close()
    assert (path.stat().st_size - empty) / count <= 25
