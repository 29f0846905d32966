"""Lots, runs and what was said about them: the spans that tag every reading."""

from __future__ import annotations

from logger.core.books.book import Books, Change
from logger.core.books.lots import Lot, Weighed
from logger.core.books.pages import Pending
from logger.core.books.refused import Refused
from logger.core.books.runs import Run, StationBook
from logger.core.books.samples import Check, Place, Sample

__all__ = [
    "Books",
    "Change",
    "Check",
    "Lot",
    "Pending",
    "Place",
    "Refused",
    "Run",
    "Sample",
    "StationBook",
    "Weighed",
]
