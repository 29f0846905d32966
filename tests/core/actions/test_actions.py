"""The one schema of what an operator says."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from logger.core.actions import BODY, body_json


def test_masses_and_shares_carry_their_unit() -> None:
    lot = BODY.validate_python({"action": "open-lot", "lot": "L1", "gross": "100 lb", "moisture": "6 %"})
    assert lot.gross == pytest.approx(45.359237)
    assert lot.moisture == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"action": "open-lot", "lot": "L1", "gross": "10 kg", "tare": "11 kg"}, "tare 11 kg is above gross"),
        ({"action": "open-lot", "lot": "L1", "gross": "10 stone"}, "use one of"),
        ({"action": "open-lot", "lot": ""}, "at least 1 character"),
        ({"action": "open-lot", "lot": "L1", "grosss": 3}, "Extra inputs are not permitted"),
        ({"action": "start-run", "time": "2026-03-02T06:00:00"}, "timezone"),
        ({"action": "correct", "recognised": "c#1"}, "exactly one"),
        ({"action": "correct", "recognised": "c#1", "was": "product", "credit": 1}, "exactly one"),
        ({"action": "settings", "values": {"tilt": "x" * 81}}, "at most 80 characters"),
        ({"action": "note", "text": 5}, "valid string"),
        ({"action": "dance"}, "does not match any of the expected tags"),
    ],
)
def test_nonsense_is_refused_with_its_reason(said: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        BODY.validate_python(said)


@pytest.mark.parametrize(
    "said",
    [
        {"action": "open-lot", "lot": "L1", "owner": "PO 1", "material": "sand", "gross": 9.5, "tare": 0.5},
        {"action": "start-run", "lot": "L1", "time": "2026-03-02T06:00:00.250+01:00"},
        {"action": "end-run", "station": "table", "who": "bay 2"},
        {"action": "settings", "values": {"tilt": "4°"}},
        {"action": "note", "text": "wet\nfeed"},
        {"action": "container-set", "outlet": "concentrate", "tare": "1 kg"},
        {"action": "correct", "recognised": "c#1", "was": "nothing", "why": "a hose lay on it"},
        {"action": "no-stop", "outlet": "c", "undo": True},
        {"action": "acknowledge", "alarm": "all", "id": "k1"},
        {"action": "shelve", "alarm": "a", "minutes": 15},
    ],
)
def test_an_action_survives_being_written_and_read(said: dict[str, object]) -> None:
    body = BODY.validate_python(said)
    assert BODY.validate_python(body_json(body)) == body


def test_a_time_is_exact_to_the_millisecond() -> None:
    body = BODY.validate_python({"action": "end-run", "time": "2026-03-02T06:00:00.250+01:00"})
    assert body.time_ns == 1_772_427_600_250_000_000
