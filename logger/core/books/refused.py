"""The one error of the books."""

from __future__ import annotations


class Refused(Exception):
    """The action makes no sense now; the text says why and what to do."""
