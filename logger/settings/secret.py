"""Values that must never be shown: taken from the environment or a file, masked everywhere else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

MASK = "********"
SHORTEST = 12
"""Characters a secret must have: a shorter one is guessed, and masking it would mask plain words too."""


class Secret:
    """A value that shows itself as asterisks wherever it is printed; `reveal` gives it to its one user."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        """The value itself. Hand it straight to what needs it; keep it out of texts and logs."""
        return self._value

    def __repr__(self) -> str:
        return f"Secret({MASK!r})"

    def __str__(self) -> str:
        return MASK

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and self._value == other._value

    def __hash__(self) -> int:
        return hash((Secret, self._value))

    def __reduce__(self) -> str:
        raise TypeError("a Secret is not stored or sent; hand on what reveal() gives where it is needed")


class SecretError(ValueError):
    """A secret could not be had. ``found`` never holds its value; ``remedy`` says what to do."""

    def __init__(self, found: str, remedy: str) -> None:
        self.found = found
        self.remedy = remedy
        super().__init__(f"{found}; {remedy}")


def is_reference(spec: str) -> bool:
    """Whether the text only says where the secret is kept, and so may be shown."""
    return spec.lower().startswith(("env:", "file:"))


def read_secret(spec: str, env: Mapping[str, str], shortest: int = SHORTEST) -> Secret:
    """The secret that ``env:NAME``, ``file:/path`` or the text itself stands for; SecretError if none."""
    scheme, _, rest = spec.partition(":")
    if scheme.lower() == "env":
        name = rest.strip()
        if not env.get(name):
            raise SecretError(
                f'"{spec}", and no such environment variable is set', f"set {name} before starting"
            )
        value = env[name]
    elif scheme.lower() == "file":
        try:
            value = Path(rest).read_text("utf-8").strip()
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is not a text file"
            raise SecretError(
                f'"{spec}", which cannot be read ({reason})',
                "put the secret alone into that file and let only the daemon's user read it",
            ) from None
    else:
        value = spec
    if len(value) < shortest or not value.isascii() or not value.isprintable() or " " in value:
        raise SecretError(
            "a secret that is too short or holds spaces, control or non-ASCII characters",
            f"use {shortest} or more letters, digits and signs",
        )
    return Secret(value)
