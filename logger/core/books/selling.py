"""The pages of selling: what stands of grades, prices and costs, for a run or for all runs of a lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logger.core import actions
from logger.core.actions import body_json
from logger.core.books.refused import Refused
from logger.core.books.spoken import Spoken

if TYPE_CHECKING:
    from logger.core.books.pages import Pages
    from logger.core.books.runs import Run

_HEAD = frozenset({"action", "time", "id", "who", "station", "lot", "run"})
KINDS = {"sell-as": "sales", "price": "prices", "pass-cost": "costs", "consists-of": "contents"}
"""Action -> the list it stands in."""


class Selling:
    """Part of `Pages`."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages
        # (lot, run), one of them None -> list -> what it is of (outlet, component or "") -> what was said
        self._said: dict[tuple[str | None, str | None], dict[str, dict[str, dict[str, Any]]]] = {}

    def enter(self, spoken: Spoken, body: actions.ForSale) -> None:
        """Enter an accepted action. Refused where there is no such lot, run or outlet."""
        pages = self._pages
        if body.lot is not None:
            if body.lot not in pages.lots:
                raise Refused(f'there is no lot "{body.lot}"; there is {", ".join(pages.lots) or "none yet"}')
            of: tuple[str | None, str | None] = (body.lot, None)
            self._outlet_somewhere(getattr(body, "outlet", None))
        else:
            run = pages.run_meant(body.run, body.station)
            of = (None, run.run)
            if hasattr(body, "outlet"):
                pages.outlet_of(run, body.outlet)
        told: dict[str, Any] = {"entry": spoken.seq}
        told |= {key: value for key, value in body_json(body).items() if key not in _HEAD}
        mine = self._said.setdefault(of, {}).setdefault(KINDS[str(body_json(body)["action"])], {})
        key = str(told.get("outlet") or told.get("component") or "")
        before = mine.get(key, {})
        if isinstance(body, actions.SellAs) and before.get("grade") == body.grade:
            told["answers"] = before["answers"] | told["answers"]
        mine[key] = told

    def _outlet_somewhere(self, named: str | None) -> None:
        known = dict.fromkeys(outlet for outlets in self._pages.outlets.values() for outlet in outlets)
        if named is not None and named not in known:
            raise Refused(f'there is no outlet "{named}"; there is {", ".join(known)}')

    def of_run(self, run: Run) -> dict[str, list[dict[str, Any]]]:
        """What stands for a run: what was said of it counts before what was said of its lot."""
        of_lot = {} if run.lot is None else self._said.get((run.lot, None), {})
        own = self._said.get((None, run.run), {})
        return {kind: list((of_lot.get(kind, {}) | own.get(kind, {})).values()) for kind in KINDS.values()}
