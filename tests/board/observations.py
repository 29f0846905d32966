"""What a daemon may tell of itself, made up, with every metric in it."""

from __future__ import annotations

from typing import Any

from logger.board.follower_routes import Again, FollowerRefused
from logger.board.observed import FollowerSeen, Instrument, Observed, Written

STORE = FollowerSeen("store", "retrying", 3.5, 600.0, 100, 10, 70, 38, 1, 1, {"points": 65, "retries": 4})


def observed(**changed: Any) -> Observed:
    """A bay with two scales, one of them spoilt now and then, and a store that does not answer."""
    values: dict[str, Any] = {
        "version": "0.0-test",
        "instruments": (Instrument("feed", True, 900, 40, 0), Instrument("slag", False, 700, 30, 5)),
        "written": written(),
        "inbox": 2,
        "live": True,
        "followers": (STORE,),
        "alarms": {("outlet-slow", "normal"): 3, ("store-behind", "unacknowledged"): 1},
        "raised": {"store-behind": 2},
        "journal_bytes": 40_960,
        "wal_bytes": 8_192,
        "free_bytes": 5_000_000_000,
    }
    return Observed(**(values | changed))


def written(**changed: Any) -> Written:
    values: dict[str, Any] = {
        "readings": 60,
        "garbage": {("slag", "cut-off"): 3, ("slag", "flood"): 1},
        "others": {"tick": 4, "finding": 9},
        "held": 12,
        "held_frames": 11,
        "lost": 0,
        "lost_frames": 0,
        "bounds_s": (0.01, 0.1),
        "commits": (20, 3, 1),
        "commits_s": 0.75,
        "newest_seq": 76,
        "failing": False,
    }
    return Written(**(values | changed))


class Told:
    """Stands for the daemon: an `Observer` and `Followers` that answer what a test gave them."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self.seen: Observed | Exception = observed()
        self.stands: list[dict[str, Any]] = []
        self.asides: dict[str, list[dict[str, Any]]] = {}
        self.asked: list[tuple[str, Any]] = []
        self.put_back: int | Exception = 7

    def observe(self) -> Observed:
        if isinstance(self.seen, Exception):
            raise self.seen
        return self.seen

    def standings(self) -> list[dict[str, Any]]:
        return self.stands

    def aside(self, name: str, limit: int) -> list[dict[str, Any]]:
        if name not in self.asides:
            raise FollowerRefused(404, "no-such-follower", f"There is no follower named {name!r}", "None.")
        return self.asides[name][:limit]

    def again(self, name: str, what: Again) -> int:
        if isinstance(self.put_back, Exception):
            raise self.put_back
        self.asked.append((name, what.model_dump(by_alias=True, exclude_none=True)))
        return self.put_back


def standing(name: str = "store", **changed: Any) -> dict[str, Any]:
    """A follower as the API tells it."""
    told: dict[str, Any] = {
        "name": name,
        "url": "http://localhost:8086",
        "state": "live",
        "lag_s": 0.4,
        "backlog_s": 0.4,
        "message": "",
        "ledger": {"known": 9, "again": 0, "delivered": 8, "pending": 0, "aside": 1, "gone": 0},
        "counts": {"points": 7},
    }
    return told | changed
