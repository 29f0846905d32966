"""What a configuration only points to: secrets, and files that somebody else keeps."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path as File

from logger.settings.problems import Path, show
from logger.settings.secret import Secret, SecretError, is_reference, read_secret
from logger.settings.validate import Faults


def kept_elsewhere(
    path: Path, spec: str | None, what: str, env: Mapping[str, str], faults: Faults
) -> Secret | None:
    """The secret that ``spec`` names; a fault where it stands in the file itself, or can't be had.

    ``what``: "a password", for the words of a fault.
    """
    if spec is None:
        return None
    allowed = "env:NAME or file:/path"
    if not is_reference(spec):
        faults.add(
            path,
            f"{what} that stands in the file itself",
            allowed,
            f"put it alone into a file that only the daemon's user can read: "
            f'"file:/etc/tallydeck/{_file_of(path)}"',
        )
        return None
    try:
        return read_secret(
            spec, env, shortest=1
        )  # the other side says what it takes; ours is not to judge it
    except SecretError as error:
        faults.add(path, error.found, allowed, error.remedy)
        return None


def _file_of(path: Path) -> str:
    """A file's name for an example: a table has one password or token, but several codes."""
    return str(path[0] if path[-1] in {"password", "token"} else path[-1]).replace("_", "-")


def full_path(path: Path, told: str | None, example: str, faults: Faults) -> File | None:
    """A file's full path; None where none is told."""
    if told is None:
        return None
    if not File(told).is_absolute() or "\0" in told:
        faults.add(path, show(told), "the full path of a file", f'write it like "{example}"')
    return File(told)
