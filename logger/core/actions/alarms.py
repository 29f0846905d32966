"""What is said to alarms."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from logger.core.actions.base import Name, Said, Text


class Acknowledge(Said):
    """Say that an alarm has been seen."""

    action: Literal["acknowledge"] = "acknowledge"
    alarm: Name = Field(description='the alarm\'s id, or "all"')


class Shelve(Said):
    """Silence an alarm for a limited time."""

    action: Literal["shelve"] = "shelve"
    alarm: Name = Field(description="the alarm's id, as shown with it")
    minutes: Annotated[float, Field(gt=0, le=480, description="for how long, at most eight hours")]
    why: Text = Field("", description="the reason")
