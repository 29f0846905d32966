"""What a journal brings along: the bay as it was last described, and the fold as a checkpoint kept it."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from pathlib import Path

import logger
from logger.core.bay import Bay as Fold
from logger.core.description import Bay
from logger.journal.checkpoint import thaw
from logger.journal.errors import JournalError
from logger.journal.reader import Past
from logger.settings import SettingsError, bay_of


def own_bay(past: Past) -> tuple[Bay, str]:
    """The description that the journal was last written with, and its configuration's digest.

    Secrets and files that the configuration names need not be there any more. JournalError where it holds
    no configuration, or one that can't be used now.
    """
    digests = [told.subject for told in past.circumstances("configuration")]
    text = past.configuration(digests[-1]) if digests else None
    if text is None:
        raise JournalError(f"{past.path}: holds no configuration; name one with --config")
    try:
        return bay_of(text, f"{past.path} (its own configuration)"), digests[-1]
    except SettingsError as error:
        raise JournalError(f"{past.path}: its own configuration can't be used now:\n{error}") from error


def resumed(
    past: Past,
    key: str,
    upto: int | None = None,
    unusable: Callable[[JournalError], None] = lambda error: None,
) -> tuple[int, Fold] | None:
    """(seq, fold) of the newest checkpoint under a key, of the two that are kept, that can be used and is no
    later than ``upto``; None where there is none: that costs time, no more. ``unusable`` hears why."""
    for older in (0, 1):
        try:
            loaded = past.load_checkpoint(key, older)
            if loaded is not None and (upto is None or loaded[0] <= upto):
                fold = thaw(loaded[1])
                if isinstance(fold, Fold):
                    return loaded[0], fold
        except JournalError as error:
            unusable(error)
    return None


def checkpoint_key(digest: str) -> str:
    """Names the checkpoints that are good for this code, this Python and the configuration of that digest."""
    code = hashlib.sha256(sys.version.encode())
    core = Path(logger.__file__).parent / "core"
    for path in sorted(core.rglob("*.py")):
        code.update(path.read_bytes())
    return hashlib.sha256((code.hexdigest() + digest).encode()).hexdigest()
