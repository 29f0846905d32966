"""What is asked of a bay that runs: each question is answered in the loop's thread, which owns the bay."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from logger.core.alarm_list import listed
from logger.core.bay import Bay
from logger.core.run_record import KINDS, run_record
from logger.core.strips import strips
from logger.journal.journal import JournalReader

if TYPE_CHECKING:
    from logger.balance.document import Scale, WeighUp

T = TypeVar("T")
AFTER_NS = 2 * 10**9  # findings about the last second come with the next


class Questions:
    """The questions of `board.desk.Desk`. Whoever owns the bay says how one is put to it (`_ask`)."""

    bay: Bay

    @property
    def journal_path(self) -> Path:
        """Where the record is that the bay was folded from."""
        raise NotImplementedError

    def _ask(self, look: Callable[[], T]) -> T:
        """Let the bay's own thread look something up, so that nobody sees half a change."""
        raise NotImplementedError

    def lots(self) -> list[dict[str, Any]]:
        def look() -> list[dict[str, Any]]:
            books = self.bay.books
            return [books.lot_json(lot) for lot in reversed(books.lots.values())]

        return self._ask(look)

    def runs(self) -> list[dict[str, Any]]:
        def look() -> list[dict[str, Any]]:
            books = self.bay.books
            return [books.run_json(run) for run in reversed(books.runs.values())]

        return self._ask(look)

    def said(self) -> list[dict[str, Any]]:
        def look() -> list[dict[str, Any]]:
            return self.bay.books.said_json()

        return self._ask(look)

    def alarms(self) -> dict[str, Any]:
        return self._ask(lambda: listed(self.bay))

    def tally(self, run: str) -> dict[str, Any] | None:
        def look() -> dict[str, Any] | None:
            known = self.bay.books.runs.get(run)
            return None if known is None else self.bay.run_tally(known)

        return self._ask(look)

    def strips(self, station: str, minutes: int = 10) -> dict[str, Any] | None:
        def look() -> dict[str, Any] | None:
            fold = self.bay.stations.get(station)
            return None if fold is None else strips(fold.now, minutes)

        return self._ask(look)

    def run_record(self, run: str) -> dict[str, Any] | None:
        def look() -> tuple[dict[str, Any], int, int] | None:
            known = self.bay.books.runs.get(run)
            if known is None:
                return None
            end_ns = self.bay.at_ns if known.end_ns is None else known.end_ns
            return self.bay.books.run_json(known), known.start_ns, end_ns

        found = self._ask(look)
        if found is None:
            return None
        told, start_ns, end_ns = found
        with JournalReader(self.journal_path) as reader:
            first, last = reader.first_seq_at(start_ns), reader.first_seq_at(end_ns + AFTER_NS) - 1
            return run_record(told, reader.findings_in(first, last, KINDS))

    # The balance brings numpy, which a daemon that is never asked for it need not load.

    def weigh_up(self, run: str) -> WeighUp | None:
        from logger.balance import from_bay

        make = self._ask(lambda: from_bay.of_a_run(self.bay, run))
        return None if make is None else make()

    def lot_weigh_up(self, lot: str) -> WeighUp | None:
        from logger.balance import from_bay

        make = self._ask(lambda: from_bay.of_a_lot(self.bay, lot))
        return None if make is None else make()

    def scales(self) -> dict[str, Scale]:
        from logger.balance import from_bay

        return self._ask(lambda: from_bay.scales_of(self.bay))()
