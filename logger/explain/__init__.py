"""Why an alarm came, or why none did: the record is folded again while a probe looks at each second."""

from logger.explain.record import ExplainError, Past, from_journal, from_readings
from logger.explain.spells import Spell, spells
from logger.explain.story import Story, tell
from logger.explain.wanted import Wanted

__all__ = [
    "ExplainError",
    "Past",
    "Spell",
    "Story",
    "Wanted",
    "from_journal",
    "from_readings",
    "spells",
    "tell",
]
