"""What the broker keeps against what it should keep."""

from __future__ import annotations

from logger.followers.mqtt.remembered import Remembered
from logger.followers.mqtt.shown import CLEARED, Shown


def deliver(shown: Shown) -> list[tuple[str, str]]:
    """Send all that is due, and have it taken."""
    sent = list(shown.due())
    for topic, payload in sent:
        shown.sent(topic, payload)
        shown.taken(topic)
    return sent


def test_a_topic_is_due_when_it_changed() -> None:
    shown = Shown()
    shown.want({"a": "1", "b": "1"})
    assert deliver(shown) == [("a", "1"), ("b", "1")]
    shown.want({"a": "1", "b": "2"})
    assert deliver(shown) == [("b", "2")]


def test_only_the_newest_goes_out_after_what_is_on_its_way() -> None:
    shown = Shown()
    shown.want({"a": "1"})
    shown.sent("a", "1")
    for payload in ("2", "3"):
        shown.want({"a": payload})
        assert list(shown.due()) == []
    shown.taken("a")
    assert list(shown.due()) == [("a", "3")]


def test_what_was_refused_is_due_again() -> None:
    shown = Shown()
    shown.want({"a": "1"})
    shown.sent("a", "1")
    shown.refused("a")
    assert list(shown.due()) == [("a", "1")]


def test_everything_is_due_after_a_connection_was_lost() -> None:
    shown = Shown()
    shown.want({"a": "1", "b": "1"})
    deliver(shown)
    shown.want({"b": "2"})
    shown.sent("b", "2")
    shown.lost()
    assert list(shown.due()) == [("a", "1"), ("b", "2")]


def test_a_topic_that_is_cleared_is_forgotten_once_the_broker_has_heard() -> None:
    shown = Shown()
    shown.want({"a": CLEARED})
    shown.sent("a", CLEARED)
    assert shown.taken("a")
    assert shown.topics == set()
    shown.lost()
    assert list(shown.due()) == []


def test_topics_of_another_configuration_are_remembered_over_a_restart_and_cleared() -> None:
    first = Remembered()
    assert first.gone({"old", "new"}) == set()
    kept = first.cursor()
    assert kept is not None
    second = Remembered(kept.state)
    assert second.gone({"new"}) == {"old"}
    assert second.cursor() is None
    second.cleared("old")
    kept = second.cursor()
    assert kept is not None
    assert Remembered(kept.state).gone({"new"}) == set()


def test_a_list_that_can_not_be_read_is_begun_anew() -> None:
    assert Remembered("{").gone({"new"}) == set()
