"""What is said of an action that can't be taken: every fault, with its place, what was found and allowed."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from logger.core.actions import BODY, MODELS
from logger.core.actions.faults import faults, known_actions, sentence


def told(action: dict[str, Any]) -> list[str]:
    with pytest.raises(ValidationError) as caught:
        BODY.validate_python(action)
    return [sentence(fault) for fault in faults(caught.value)]


@pytest.mark.parametrize(
    ("action", "said"),
    [
        ({"action": "note"}, 'text: "text" is missing: the words; give "text"'),
        (
            {"action": "end-run", "hold_up": -1},
            "hold_up: found -1; allowed: at least 0 or 'wait'; give at least 0",
        ),
        (
            {"action": "weigh-lot", "lot": "L", "container": "1", "gross": True},
            'gross: found true; allowed: a number, or a quantity with its unit; give it like "412.5 kg"',
        ),
        (
            {"action": "amend", "entry": 1.5, "change": {"lot": "L"}},
            "entry: found 1.5; allowed: a whole number",
        ),
        ({"action": "settings", "values": {"float": 5}}, "values.float: found 5; allowed: text"),
        ({"action": "note", "text": "x", "tiem": 1}, 'there is no "tiem" here; allowed: time, id, who'),
        ({"action": "note", "text": "x", "tiem": 1}, 'did you mean "time"?'),
        ({"action": "open-lot", "lot": "L", "containers": 5}, "containers: found 5; allowed: a list"),
        (
            {"action": "open-lot", "lot": "L", "containers": [{"container": "1", "gros": 1}]},
            'containers.0.gros: there is no "gros" here; allowed: container, gross, tare, scale; did you',
        ),
        ({"action": "end-run", "time": 5}, "time: found 5; allowed: a time with its offset"),
        (
            {"action": "end-run", "time": "1772427600"},
            'time: found "1772427600"; allowed: a time with its offset',
        ),
        ({"action": "fly"}, 'action: found "fly"; allowed: one of open-lot, weigh-lot'),
        ({}, "action: found nothing; allowed: one of open-lot"),
        ({"action": "note", "text": "x" * 2001}, "…; allowed: at most 2000 characters; make it shorter"),
    ],
)
def test_a_fault_says_place_found_and_allowed(action: dict[str, Any], said: str) -> None:
    (one,) = told(action)
    assert said in one


def test_every_fault_is_told_once_and_at_once() -> None:
    lines = told({"action": "weigh-product", "container": "", "gross": -1, "tare": "2 stone", "colour": 1})
    assert [line.partition(":")[0] for line in lines] == ["outlet", "container", "gross", "tare", "colour"]


def test_no_fault_speaks_the_validators_jargon() -> None:
    """Whatever field is missing, of the wrong kind or unknown, is told in a sentence of our own."""
    for name, model in MODELS.items():
        for field in model.model_fields:
            if field != "action":
                with pytest.raises(ValidationError) as caught:
                    BODY.validate_python({"action": name, field: [[]], "x": 1})
                for fault in faults(caught.value):
                    assert not fault["message"].startswith(("Input", "Field", "Extra", "Value error")), fault
                    assert fault["remedy"]


def test_a_control_character_is_not_echoed() -> None:
    (one,) = told({"action": "open-lot", "lot": "L\x1b[31m"})
    assert "\x1b" not in one


def test_every_action_is_known_by_its_name() -> None:
    assert known_actions()[:2] == ["open-lot", "weigh-lot"]
    assert len(known_actions()) == len(set(known_actions())) == 36
