"""The story that is told by every way in leaves no action and no field out."""

from __future__ import annotations

import pytest

from logger.core.actions import BODY, MODELS, LotContainer
from tests.core.actions.examples import STORY

NAMES = {"way": "way", "hour": "06", "note": "7", "mark": "mark-1"}
COMMON = {"action", "time", "id", "who", "station"}
BODIES = [BODY.validate_python(example.told(NAMES)) for example in STORY]


@pytest.mark.parametrize("action", MODELS)
def test_every_action_has_an_example_and_every_field_is_used(action: str) -> None:
    """Those that every action may carry aside."""
    used = {field for body in BODIES if body.action == action for field in body.model_fields_set}
    assert "action" in used, "say it in tests/core/actions/examples.py"
    assert set(MODELS[action].model_fields) - COMMON - used == set()


def test_every_field_of_a_container_is_used() -> None:
    containers = [each for body in BODIES if body.action == "open-lot" for each in body.containers]
    assert set().union(*(each.model_fields_set for each in containers)) >= set(LotContainer.model_fields) - {
        "scale"
    }
