"""The fold's state as bytes and back. Reading admits values only, never code.

A checkpoint lies in a file that others may have touched, and a pickle can call anything it names; so the
reader admits classes of the core and plain containers, nothing else. A digest in front finds bytes that
changed on the disk. A checkpoint that cannot be thawed costs time (the past is folded again), no data.
"""

from __future__ import annotations

import array
import collections
import copyreg
import enum
import hashlib
import io
import pickle
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from logger.journal.errors import JournalError

_DIGEST_BYTES = 16


def _zone(key: str) -> ZoneInfo:
    return ZoneInfo(key)


_PLAIN: dict[tuple[str, str], Any] = {
    ("builtins", "set"): set,
    ("builtins", "frozenset"): frozenset,
    ("builtins", "bytearray"): bytearray,
    ("builtins", "dict"): dict,
    ("builtins", "list"): list,
    ("builtins", "int"): int,
    ("builtins", "float"): float,
    ("collections", "deque"): collections.deque,
    ("collections", "defaultdict"): collections.defaultdict,
    ("collections", "OrderedDict"): collections.OrderedDict,
    ("collections", "Counter"): collections.Counter,
    ("array", "array"): array.array,
    ("array", "_array_reconstructor"): array._array_reconstructor,  # type: ignore[attr-defined]
    ("fractions", "Fraction"): Fraction,
    (__name__, "_zone"): _zone,
}
_TIMES = {
    ("datetime", "datetime"),
    ("datetime", "timedelta"),
    ("datetime", "timezone"),
    ("pydantic_core._pydantic_core", "TzInfo"),  # the zone of an action's time
}


class _Freeze(pickle.Pickler):
    """Pickles an enum member as its class called with its value; early Pythons 3.11 would name getattr."""

    def reducer_override(self, obj: Any) -> Any:
        return (type(obj), (obj.value,)) if isinstance(obj, enum.Enum) else NotImplemented


class _Thaw(pickle.Unpickler):
    def __init__(self, data: bytes, prefix: str) -> None:
        super().__init__(io.BytesIO(data))
        self._prefix = prefix

    def find_class(self, module: str, name: str) -> Any:
        plain = _PLAIN.get((module, name))
        if plain is not None:
            return plain
        ours = module == self._prefix or module.startswith(self._prefix + ".")
        if ours or (module, name) in _TIMES:
            found = super().find_class(module, name)
            # a module of the core also holds what it imports: only what was made there counts
            if isinstance(found, type) and (found.__module__ == module or not ours):
                return found
        raise JournalError(
            f"the checkpoint names {module}.{name}, which is no value of {self._prefix}; "
            "it is not used, and the past is folded again",
            "checkpoint",
        )


def digest_of(body: bytes) -> bytes:
    """What stands in front of a checkpoint's bytes: against decay, not against forgery."""
    return hashlib.blake2b(body, digest_size=_DIGEST_BYTES).digest()


def freeze(obj: Any) -> bytes:
    """The state as bytes. JournalError where it holds something that cannot be pickled."""
    buffer = io.BytesIO()
    pickler = _Freeze(buffer, protocol=5)
    pickler.dispatch_table = copyreg.dispatch_table.copy()
    pickler.dispatch_table[ZoneInfo] = lambda zone: (_zone, (zone.key,))
    try:
        pickler.dump(obj)
    except (pickle.PicklingError, TypeError, AttributeError, RecursionError) as error:
        raise JournalError(f"the state cannot be kept as a checkpoint: {error}", "checkpoint") from error
    body = buffer.getvalue()
    return digest_of(body) + body


def thaw(blob: bytes, allowed_prefix: str = "logger.core") -> Any:
    """The state that `freeze` was given.

    JournalError where the bytes changed, or name anything but classes of ``allowed_prefix``, deque,
    array, Fraction, times and plain containers.
    """
    digest, body = blob[:_DIGEST_BYTES], blob[_DIGEST_BYTES:]
    if digest_of(body) != digest:
        raise JournalError("the checkpoint's bytes have changed; the past is folded again", "checkpoint")
    try:
        return _Thaw(body, allowed_prefix).load()
    except JournalError:
        raise
    except Exception as error:  # a pickle of an older state fails in as many ways as there are classes
        raise JournalError(
            f"the checkpoint cannot be read ({type(error).__name__}: {error}); the past is folded again",
            "checkpoint",
        ) from error
