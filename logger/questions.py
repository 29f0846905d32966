"""What is asked of a bay that runs: each question is answered in the loop's thread, which owns the bay."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from logger.core.alarm_list import listed
from logger.core.bay import Bay
from logger.core.strips import strips

if TYPE_CHECKING:
    from logger.balance.document import Scale, WeighUp

T = TypeVar("T")


class Questions:
    """The questions of `board.desk.Desk`. Whoever owns the bay says how one is put to it (`_ask`)."""

    bay: Bay

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
