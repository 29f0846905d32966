"""The schema of a weigh-up: it stands in config/, and a real reader accepts the example by it."""

import json
import tomllib
from pathlib import Path

from logger.balance.document import WeighUp

CONFIG = Path(__file__).parents[2] / "config"


def test_the_schema_that_comes_along_is_that_of_the_model():
    """Made anew with `write_weigh_up_schema` after a change (DEVELOPERS.md)."""
    assert json.loads((CONFIG / "weigh-up.schema.json").read_text("utf-8")) == WeighUp.model_json_schema()


def test_every_key_of_the_example_is_in_the_schema():
    known = json.dumps(WeighUp.model_json_schema())

    def keys(value):
        if isinstance(value, dict):
            for key, each in value.items():
                yield key
                yield from keys(each)
        if isinstance(value, list):
            for each in value:
                yield from keys(each)

    own = {"feed", "concentrate", "middlings", "tailings", "floor", "bench", "pail", "bronze", "slag", "sand"}
    own |= {"run-1", "no-iron", "dried"}
    example = tomllib.loads((CONFIG / "weigh-up.toml").read_text("utf-8"))
    assert [key for key in keys(example) if key not in own and f'"{key}"' not in known] == []
