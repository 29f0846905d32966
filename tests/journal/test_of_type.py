"""Findings and circumstances of one kind, read without the readings between them."""

from __future__ import annotations

from pathlib import Path

from logger.core.entries import Circumstance, Finding, Reading, Record
from logger.journal.journal import Journal, JournalReader

T0 = 1_772_431_200 * 10**9


def test_only_those_of_the_kind_come_and_in_order(tmp_path: Path) -> None:
    """Over several chunks, beside readings and findings of another kind."""
    path = tmp_path / "journal.sqlite"
    records: list[Record] = []
    for second in range(30):
        at_ns = T0 + second * 10**9
        records.append(Reading(at_ns, "a", second, -3, "kg", True))
        records.append(Finding(at_ns, "alarm" if second % 3 else "tally", f"x{second}", 1, {"n": second}))
        records.append(Circumstance(at_ns, "configuration" if second % 10 else "link", f"c{second}", {}))
    records = [record._replace(seq=seq) for seq, record in enumerate(records, 1)]
    journal = Journal.open(path, boot_id="b", offset_ns=T0 - 10**15)
    journal.append(records)
    with JournalReader(path) as reader:
        assert list(reader.findings("alarm", chunk=7)) == [
            r for r in records if isinstance(r, Finding) and r.kind == "alarm"
        ]
        assert list(reader.circumstances("configuration", chunk=50)) == [
            r for r in records if isinstance(r, Circumstance) and r.kind == "configuration"
        ]
        assert reader.first_at_ns == T0
    journal.close()
