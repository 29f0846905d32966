"""What is said to alarms."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from logger.core.actions.base import Name, Said, Text


class Acknowledge(Said):
    """Say that an alarm has been seen."""

    action: Literal["acknowledge"] = "acknowledge"
    alarm: Name = Field(description='the alarm\'s id, or "all"')


MOST_SHELVED_MINUTES = 24 * 60
"""The standard wants a limit and names none (from memory); a day is common practice, no source: a shift that
finds an alarm shelved should know who shelved it."""


def _told(why: str) -> str:
    if not why.strip():
        raise ValueError("a reason needs more than blanks: say why nobody should be called")
    return why


Reason = Annotated[str, Field(min_length=1, max_length=2000), AfterValidator(_told)]


class Shelve(Said):
    """Silence an alarm for a limited time; it comes back by itself. Said again, it moves the end."""

    action: Literal["shelve"] = "shelve"
    alarm: Name = Field(description="the alarm's id, as shown with it")
    minutes: Annotated[
        float, Field(gt=0, le=MOST_SHELVED_MINUTES, description="for how long, at most 1440, a day")
    ]
    why: Text = Field("", description="the reason")


class Unshelve(Said):
    """End the silence of a shelved alarm before its time."""

    action: Literal["unshelve"] = "unshelve"
    alarm: Name = Field(description="the alarm's id, as shown with it")


class TakeOutOfService(Said):
    """Silence an alarm until somebody returns it to service."""

    action: Literal["take-out-of-service"] = "take-out-of-service"
    alarm: Name = Field(description="the alarm's id; it need never have been raised")
    why: Reason = Field(description="the reason; whoever finds it silent must know")


class ReturnToService(Said):
    """Let an alarm that was taken out of service speak again."""

    action: Literal["return-to-service"] = "return-to-service"
    alarm: Name = Field(description="the alarm's id, as shown with it")


class ResetAlarm(Said):
    """Let go of a latched alarm: what it did was put right."""

    action: Literal["reset-alarm"] = "reset-alarm"
    alarm: Name = Field(description="the alarm's id, as shown with it")
    why: Text = Field("", description="what was done")
