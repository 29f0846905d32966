"""What the broker keeps against what it should keep: each topic is sent when it changed, the newest alone.

A topic is on its way once at most, so this can never grow beyond the number of topics.
"""

from __future__ import annotations

from collections.abc import Iterator

from logger.followers.mqtt.states import States

CLEARED = ""
"""A retained message without a payload takes away the one that is kept (MQTT 5.0, 3.3.1.3)."""


class Shown:
    """One thread uses it."""

    def __init__(self) -> None:
        self._wanted: States = {}
        self._there: States = {}  # acknowledged, or on its way
        self._flying: set[str] = set()

    def want(self, states: States) -> None:
        """These topics should hold these payloads (without their heads)."""
        self._wanted |= states

    def due(self) -> Iterator[tuple[str, str]]:
        """Topic and payload of what is to be sent now, in the order in which topics became known."""
        for topic, payload in list(self._wanted.items()):
            if self._there.get(topic) != payload and topic not in self._flying:
                yield topic, payload

    def sent(self, topic: str, payload: str) -> None:
        self._there[topic] = payload
        self._flying.add(topic)

    def taken(self, topic: str) -> bool:
        """The broker has it. True where it is a topic that was to be cleared: it is forgotten then."""
        self._flying.discard(topic)
        if self._there.get(topic) != CLEARED or self._wanted.get(topic) != CLEARED:
            return False
        del self._there[topic], self._wanted[topic]
        return True

    def refused(self, topic: str) -> None:
        """The broker has not taken it: it is due again."""
        self._flying.discard(topic)
        self._there.pop(topic, None)

    def lost(self) -> None:
        """Nothing is known of what the broker keeps: all is due."""
        self._there.clear()
        self._flying.clear()

    @property
    def topics(self) -> set[str]:
        """Those that should be there."""
        return {topic for topic, payload in self._wanted.items() if payload != CLEARED}
