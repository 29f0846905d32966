"""The codes that people log in with: kept only as what scrypt makes of them, compared in constant time.

A short code has little to hide behind a hash: who has the memory of the daemon could try all of them in an
afternoon. It is not kept readable so that it turns up in no core dump, log or trace. What guards it is that
tries are slow (`throttle`). scrypt: RFC 7914; N = 2^14, r = 8, p = 1 takes 16 MiB and some 50 ms.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets

from logger.board.roles import Role

MOST_TYPED = 64


class Codes:
    """What each code lets its person do. ``operator`` None: nobody acts by log-in. Safe in any thread."""

    def __init__(self, operator: str | None = None, guest: str | None = None) -> None:
        self._salt = secrets.token_bytes(16)
        told = ((Role.OPERATOR, operator), (Role.GUEST, guest))
        self._kept = [(role, self._hash(code)) for role, code in told if code is not None]

    def __bool__(self) -> bool:
        return bool(self._kept)

    def role_of(self, typed: str) -> Role | None:
        """Who types this; None where it is no code. Slow on purpose: call in a thread.

        All are compared, whatever the first says, so that the time taken tells nothing.
        """
        given = self._hash(typed[:MOST_TYPED])
        found = [role for role, kept in self._kept if hmac.compare_digest(kept, given)]
        return max(found, default=None)

    def _hash(self, code: str) -> bytes:
        return hashlib.scrypt(code.encode(), salt=self._salt, n=2**14, r=8, p=1, maxmem=64 * 1024 * 1024)
