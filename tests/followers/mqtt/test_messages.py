"""The payloads: their schema, and that what is written of them is true."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from logger.commands.schemas import write_mqtt_schema
from logger.followers.mqtt import messages
from logger.settings.messages import OWN_LEVELS

HOUSE = Path(__file__).parents[3]
TOPICS = (HOUSE / "deploy" / "broker" / "TOPICS.md").read_text("utf-8")


def documented() -> dict[str, str]:
    """Topic below the root -> what is said of its payload."""
    rows = re.findall(r"^\| `ROOT/([^`]+)` \| ([^|]+) \|", TOPICS, re.MULTILINE)
    return {topic: payload.strip() for topic, payload in rows}


def test_the_schema_in_the_folder_is_current(tmp_path: Path) -> None:
    write_mqtt_schema(tmp_path / "schema.json")
    made = (tmp_path / "schema.json").read_bytes()
    assert (HOUSE / "config" / "mqtt.schema.json").read_bytes() == made


def test_the_schema_is_sound() -> None:
    jsonschema.Draft202012Validator.check_schema(messages.schema())


def test_every_topic_is_written_of_and_no_other() -> None:
    assert documented().keys() - {"act", "answer"} == messages.BY_TOPIC.keys()


def test_each_payload_is_called_by_its_name_there() -> None:
    told = documented()
    for topic, name in messages.BY_TOPIC.items():
        if name not in messages.PLAIN:
            assert told[topic] == f"`{name}`"
        elif "enum" in messages.PLAIN[name]:
            assert told[topic] == ", ".join(f"`{word}`" for word in messages.PLAIN[name]["enum"])


def test_no_instrument_may_be_read_at_any_of_them() -> None:
    assert {topic.split("/")[0] for topic in documented()} == OWN_LEVELS


def test_a_field_too_many_or_one_missing_is_no_payload() -> None:
    validator = jsonschema.Draft202012Validator(messages.schema())
    payload = {"seq": 1, "at": "x", "state": "recorded", "held": 0, "message": ""}
    validator.validate({"topic": "record", "payload": payload})
    for wrong in (payload | {"more": 1}, {k: v for k, v in payload.items() if k != "held"}):
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({"topic": "record", "payload": wrong})


def test_a_topic_that_is_not_ours_has_no_payload() -> None:
    validator = jsonschema.Draft202012Validator(json.loads(json.dumps(messages.schema())))
    assert not validator.is_valid({"topic": "act", "payload": "off"})
    assert validator.is_valid({"topic": "station/t/beacon", "payload": "off"})
