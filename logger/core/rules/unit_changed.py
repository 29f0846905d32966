"""A scale's unit, or its gross/net/tare mode, changed by itself or differs from what was configured.

Formula: the unit shown is not the one told (else the first one seen), or the mode is not the first one
seen, for `AFTER_S`. The number is converted by the unit it was shown with, so that the record stays right
when it is only a key that was pressed. Source: none. False alarms: a tare pressed on purpose is one.
"""

from __future__ import annotations

from logger.core.description import Channel
from logger.core.rules.contract import ChannelNow, Evidence, Judgement
from logger.core.rules.said import Said

KIND = "unit-changed"
AFTER_S = 2


class UnitChanged:
    """One for each channel."""

    kind = KIND

    def __init__(self, channel: Channel, after_s: int = AFTER_S) -> None:
        if not 0 <= after_s <= 60:
            raise ValueError(f"after_s {after_s} must lie between 0 and 60 s")
        self.after_s = after_s
        self._said = Said(KIND, channel.name, channel.name)
        self._unit = channel.unit or ""
        self._mode = ""
        self._since_s: int | None = None

    def tick(self, now_s: int, channel: ChannelNow) -> list[Judgement]:
        if not channel.readings:
            return []
        self._unit = self._unit or channel.unit
        self._mode = self._mode or channel.mode
        name, unit, mode = channel.channel.name, channel.unit, channel.mode
        other_unit = unit not in ("", self._unit)
        other_mode = mode not in ("", self._mode)
        if not (other_unit or other_mode):
            self._since_s = None
            return self._said.clear(now_s, f"{name} shows {self._unit} {self._mode}".rstrip() + " again.")
        if self._since_s is None:
            self._since_s = now_s
        if now_s - self._since_s < self.after_s:
            return []
        parts = []
        if other_unit:
            parts.append(f"{unit} instead of {self._unit}")
        if other_mode:
            parts.append(f"{mode} weight instead of {self._mode}")
        what = f"{name} shows {' and '.join(parts)}."
        told = {"unit": unit, "unit_expected": self._unit, "mode": mode, "mode_expected": self._mode}
        return self._said.say(True, self._since_s, what, "Set it back at the scale's keypad.", told)

    def evidence(self, now_s: int, channel: ChannelNow) -> Evidence | None:
        """For how long (s) another unit or mode has been shown: see `Evidence`."""
        shown = {"unit": channel.unit, "mode": channel.mode}
        extra = {**shown, "unit_expected": self._unit, "mode_expected": self._mode}
        other_s = 0 if self._since_s is None else now_s - self._since_s
        held = "" if channel.readings else "nothing was read yet"
        # Above rather than at it: a changed unit of no seconds is none.
        return Evidence(
            KIND, channel.channel.name, "s", other_s, max(self.after_s, 1), quiet_because=held, extra=extra
        )
