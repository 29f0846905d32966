"""TOML -> the bay's description and what the daemon needs beside it; every error at once, with a remedy.

The way: `validate` (text -> `document`, gathering faults), `build`, `wires`, `messages`, `store` and `board`
(defaults and names resolved), `checks` and `containers` (what must hold between values), `load` (the whole).
"""

from logger.settings.load import bay_of, default_journal_directory, load, loads
from logger.settings.problems import Problem, SettingsError
from logger.settings.schema import schema, write_schema
from logger.settings.secret import Secret
from logger.settings.values import (
    BoardSettings,
    Configuration,
    InstrumentSettings,
    MessageSource,
    MqttSettings,
    StoreSettings,
)

__all__ = [
    "BoardSettings",
    "Configuration",
    "InstrumentSettings",
    "MessageSource",
    "MqttSettings",
    "Problem",
    "Secret",
    "SettingsError",
    "StoreSettings",
    "bay_of",
    "default_journal_directory",
    "load",
    "loads",
    "schema",
    "write_schema",
]
