"""What is said of the stops of an outlet."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from logger.core.actions.base import AtStation, Name, Text


class NoStop(AtStation):
    """Say that what was taken for a stop of an outlet was none: it leaves the outlet's rhythm.

    The newest that had begun by ``time`` is meant.
    """

    action: Literal["no-stop"] = "no-stop"
    outlet: Name = Field(description="as in the configuration")
    undo: bool = Field(False, description="it was one after all")
    why: Text = Field("", description="the reason")
