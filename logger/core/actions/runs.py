"""Runs, settings, notes, and correcting what was said."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from logger.core.actions.base import (
    AtStation,
    MassOrWait,
    Moment,
    Name,
    Photographs,
    Said,
    Short,
    Text,
    to_ns,
)


class StartRun(AtStation):
    """Begin a run: one pass of a lot over a station. Without a lot it is a trial.

    A whole run that was forgotten is said with ``time`` and ``until``. ``feed_from`` names what it is fed
    with where that is a product of an earlier run: ``run-1/middlings``, or a list of several together.
    """

    action: Literal["start-run"] = "start-run"
    lot: Name | None = Field(None, description="a trial, if left out")
    run: Name | None = Field(None, description="made up where it is left out")
    until: Moment | None = Field(None, description="when it ended; for a run said afterwards")
    feed_from: Name | Annotated[tuple[Name, ...], Field(min_length=1, max_length=20)] | None = Field(
        None, description='run and outlet: "run-1/middlings"; or a list of several together'
    )

    @model_validator(mode="after")
    def _sound(self) -> StartRun:
        if self.until is not None and (self.time is None or self.until <= self.time):
            raise ValueError('"until" goes with an earlier "time": when the run began')
        if any("/" not in each for each in self.sources):
            raise ValueError('"feed_from" names a run and its outlet, such as "run-1/middlings"')
        if len(set(self.sources)) < len(self.sources):
            raise ValueError('"feed_from" names the same product twice; name each once')
        return self

    @property
    def sources(self) -> tuple[str, ...]:
        """The products it is fed with."""
        if self.feed_from is None:
            return ()
        return (self.feed_from,) if isinstance(self.feed_from, str) else self.feed_from

    @property
    def until_ns(self) -> int | None:
        return None if self.until is None else to_ns(self.until)


class EndRun(AtStation):
    """End a run. ``hold_up`` is what still lies on the deck: a mass, or ``wait`` until the deck is empty."""

    action: Literal["end-run"] = "end-run"
    run: Name | None = Field(None, description="the open one, if left out")
    hold_up: MassOrWait | None = Field(None, description="what still lies on the deck")


class PauseFeed(AtStation):
    """The feed is paused on purpose; nobody is to be called for that."""

    action: Literal["pause-feed"] = "pause-feed"
    why: Text = Field("", description="the reason")


class ResumeFeed(AtStation):
    """The feed goes on. It is also taken as resumed when it is seen to flow."""

    action: Literal["resume-feed"] = "resume-feed"


class Settings(AtStation):
    """Write the settings of a station down (tilt, stroke, speed, wash water, …)."""

    action: Literal["settings"] = "settings"
    values: Annotated[
        dict[Name, Short],
        Field(min_length=1, max_length=40, description='names and values, such as {"tilt": "4°"}'),
    ]


class Note(AtStation):
    """A remark with a time."""

    action: Literal["note"] = "note"
    text: Text = Field(description="the words")
    photographs: Photographs = Field([], description="paths of files")


class Mark(AtStation):
    """Something happened now; it is worded later."""

    action: Literal["mark"] = "mark"


class WordMark(Said):
    """The words for a mark. Said again, the later words count and the earlier are kept."""

    action: Literal["word-mark"] = "word-mark"
    mark: Name = Field(description="its name, such as mark-3")
    text: Text = Field(description="the words")


class Amend(Said):
    """Correct something that was said: the same action with other values. The old ones are kept.

    ``entry`` is the number or the id it was answered with. ``change`` holds the fields to change, null
    to take one out; ``{"time": …}`` sets when it took effect.
    """

    action: Literal["amend"] = "amend"
    entry: int | Name = Field(description="its number, or its id")
    change: Annotated[
        dict[Name, Any],
        Field(min_length=1, max_length=40, description="fields and their new values; null takes one out"),
    ]
    why: Text = Field("", description="the reason")

    @model_validator(mode="after")
    def _keeps_its_kind(self) -> Amend:
        for field in ("action", "id", "who"):
            if field in self.change:
                raise ValueError(f'"{field}" can\'t be changed; withdraw the entry and say it anew')
        return self


class Withdraw(Said):
    """Take back something that was said, as if it had not been. It stays in the record.

    Of containers and corrections of what was recognised only the latest can be, shortly after.
    """

    action: Literal["withdraw"] = "withdraw"
    entry: int | Name = Field(description="its number, or its id")
    why: Text = Field("", description="the reason")
