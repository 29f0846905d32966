"""The tallies of runs that are over, kept for when the tracks no longer reach back to them.

A track remembers a day. A laboratory's result comes weeks later, and then a run's masses are the ones that
were last taken while its whole span was remembered. What was weighed by hand since is put in; a span that
was corrected since can't be taken anew, so such a tally says which span it is of.
"""

from __future__ import annotations

from typing import Any

from logger.core.tally import Mass, SaidMasses

REMEMBERED_S = 86_400 - 1_800
"""How far back a run's start may lie for its tally to be taken: what a track keeps, less some slack."""
FRESH_S = 900
"""How long a run that is over is tallied anew: so much a track keeps second by second, older time coarser."""
AGAIN_S = 300
"""How often that is done by itself, for steps of the weight that are understood a little later."""


class KeptTallies:
    """The last good tally of each run that has ended, by the run's name, and what was said of it then."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[SaidMasses, dict[str, Any]]] = {}

    def keep(self, run: str, tally: dict[str, Any], said: SaidMasses) -> None:
        self._kept[run] = said, tally

    def drop(self, run: str) -> None:
        self._kept.pop(run, None)

    def holds(self, run: str, tally: dict[str, Any], said: SaidMasses) -> bool:
        """Whether what is kept is of the same span, and nothing else was said of the masses since."""
        said_then, kept = self._kept.get(run, (None, tally))
        return said_then == said and all(kept[key] == tally[key] for key in ("start", "end"))

    def late(self, run: str, blank: dict[str, Any], said: SaidMasses) -> dict[str, Any]:
        """The tally of a run beyond memory. ``blank``: one of now, which serves for all but the masses."""
        _, kept = self._kept.get(run, (said, None))
        told = _without_masses(blank) if kept is None else blank | kept
        if said.hold_up_kg is not None:
            told |= {key: blank[key] for key in ("hold_up_kg", "hold_up", "hold_up_how")}
        outlets = {}
        for key, outlet in told["outlets"].items():
            mass = said.by_hand.get(outlet["name"])
            has_no_scale = key == outlet["name"] and outlet["says"] in ("by difference", "weighed by hand")
            outlets[key] = outlet | _by_hand(mass) if mass is not None and has_no_scale else outlet
        return told | {"outlets": outlets}


def _by_hand(mass: Mass) -> dict[str, Any]:
    return {
        "weighed": True,
        "by_difference": False,
        "says": "weighed by hand",
        "delivered_kg": round(mass.kg, 6),
        "u_kg": round(mass.u_kg, 6),
        "estimated_kg": 0.0,
        "not_caught_kg": 0.0,
    }


def _without_masses(tally: dict[str, Any]) -> dict[str, Any]:
    """A tally of which nothing is known any more but its form."""
    nothing = dict.fromkeys(("delivered_kg", "u_kg", "estimated_kg", "not_caught_kg", "yield", "u_yield"))
    outlets = {key: outlet | nothing for key, outlet in tally["outlets"].items()}
    empty = dict.fromkeys(("feed_kg", "feed_u_kg", "hold_up_kg", "hold_up", "taken"))
    return tally | empty | {"outlets": outlets, "water": {}, "by_settings": []}
