"""Reading a configuration: the way in."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from logger.core.description import Bay
from logger.settings.board import reach
from logger.settings.build import build
from logger.settings.checks import check
from logger.settings.document import Document
from logger.settings.messages import broker
from logger.settings.places import Places
from logger.settings.problems import Problem, SettingsError, show
from logger.settings.registers import with_units
from logger.settings.secret import MASK, Secret, SecretError, is_reference, read_secret
from logger.settings.store import store
from logger.settings.together import stand_together
from logger.settings.validate import Faults, read
from logger.settings.values import Configuration, digest
from logger.settings.wires import wires


def load(path: Path, env: Mapping[str, str] | None = None) -> Configuration:
    """The configuration in a file. SettingsError, with every problem, where it cannot be used.

    ``env`` stands for the environment (default: the process's own): secrets, ``STATE_DIRECTORY``,
    ``XDG_STATE_HOME`` and ``HOME`` come from there.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")  # some editors put a mark before the text
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        problem = Problem("", line, "bytes that are not UTF-8 text", "UTF-8", "save the file again as UTF-8")
        raise SettingsError(str(path), [problem]) from None
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or "its name cannot be used"
        problem = Problem("", None, f"no file to read ({reason})", "", "check the path, and who may read it")
        raise SettingsError(str(path), [problem]) from None
    return _configuration(text, str(path), path, env)


def loads(text: str, name: str = "<text>", env: Mapping[str, str] | None = None) -> Configuration:
    """The configuration in a text; ``name`` stands for the file's name in messages. Else as `load`."""
    return _configuration(text, name, None, env)


def bay_of(text: str, name: str = "<text>") -> Bay:
    """The bay's description alone, of a text that a journal kept: secrets and files that it names need not
    be there any more. SettingsError as `load`."""
    document, faults = read(text, name)
    bay = build(with_units(document), faults)
    faults.raise_if_any(name)
    return stand_together(bay)


def _configuration(text: str, name: str, path: Path | None, env: Mapping[str, str] | None) -> Configuration:
    env = os.environ if env is None else env
    document, faults = read(text, name)
    document = with_units(document)
    bay = build(document, faults)
    instruments = wires(document, faults)
    check(document, bay, faults)
    token = _token(document, faults, env)
    host, board = reach(document, env, faults)
    mqtt = broker(document, env, faults)
    sent_to = store(document, env, faults)
    directory = _journal_directory(document, faults, env)
    faults.raise_if_any(name)
    bay = stand_together(bay)
    return Configuration(
        bay=bay,
        instruments=instruments,
        journal_directory=directory,
        digest=digest(bay, instruments),
        text=_masked(text, faults.places, document.board.token, token),
        path=path,
        board_host=host,
        board_port=document.board.port,
        board_token=token,
        board=board,
        mqtt=mqtt,
        store=sent_to,
    )


def _token(document: Document, faults: Faults, env: Mapping[str, str]) -> Secret | None:
    spec = document.board.token
    if spec is None:
        return None
    try:
        return read_secret(spec, env)
    except SecretError as error:
        allowed = "env:NAME, file:/path, or the text itself"
        faults.add(("board", "token"), error.found, allowed, error.remedy)
        return None


def _masked(text: str, places: Places, spec: str | None, secret: Secret | None) -> str:
    """The text without the secret, which is long and without spaces: nothing else is masked by accident."""
    if spec is None or secret is None:
        return text
    if not is_reference(spec):
        span = places.spans.get(("board", "token"))
        if span is None:  # cut out by place, as TOML may write any character as an escape
            return MASK
        text = f'{text[: span[0]]}"{MASK}"{text[span[1] :]}'
    return text.replace(secret.reveal(), MASK)


def _journal_directory(document: Document, faults: Faults, env: Mapping[str, str]) -> Path:
    """Where the record is kept: as told, else `default_journal_directory`."""
    told = document.journal.directory
    home = env.get("HOME", "")
    if told is not None:
        if told.startswith("~/") and home.startswith("/"):
            return Path(home) / told.removeprefix("~/").lstrip("/")
        if not Path(told).is_absolute() or "\0" in told:
            faults.add(
                ("journal", "directory"),
                show(told),
                "a full path, or one from ~/",
                'write it like "/var/lib/tallydeck" or "~/tallydeck"',
            )
        return Path(told)
    directory = default_journal_directory(env)
    if directory is None:
        faults.add(
            ("journal", "directory"),
            "no folder for the record, and no HOME to put it under",
            "a full path",
            'add a table [journal] with directory = "/var/lib/tallydeck"',
        )
    return directory or Path()


def default_journal_directory(env: Mapping[str, str] | None = None) -> Path | None:
    """Where a record is kept that no configuration places: STATE_DIRECTORY (a service's), else the XDG
    state folder; None where there is neither that nor a HOME."""
    env = os.environ if env is None else env
    service = env.get("STATE_DIRECTORY", "").split(":")[0]
    if service.startswith("/"):
        return Path(service)
    # The XDG base directory specification: a path that is not absolute is to be ignored.
    xdg, home = env.get("XDG_STATE_HOME", ""), env.get("HOME", "")
    if xdg.startswith("/"):
        return Path(xdg) / "tallydeck"
    return Path(home) / ".local" / "state" / "tallydeck" if home.startswith("/") else None
