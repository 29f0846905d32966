"""An id makes an action be taken once: over the API, with other words, and over a restart."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest

from logger.app import Daemon
from logger.core.entries import Action
from logger.journal.journal import JournalReader
from logger.simulator.demo import DemoBay
from tests.app.bays import running_bay, running_daemon, until

NOTE = {"action": "note", "text": "fed wet", "id": "k-1"}


def post(daemon: Daemon, action: dict[str, Any]) -> httpx.Response:
    token = (daemon.directory / "token").read_text().strip()
    headers = {"Authorization": f"Bearer {token}"}
    with httpx.Client(base_url=daemon.board.url, headers=headers, trust_env=False, timeout=10) as client:
        return client.post("/api/v1/actions", json=action)


def notes(daemon: Daemon) -> list[str]:
    """The notes in the journal."""
    with closing(JournalReader(daemon.journal_path)) as reader:
        said = [entry.body for entry in reader.read() if isinstance(entry, Action)]
    return [body.text for body in said if body.action == "note"]


@pytest.fixture(scope="module")
def wires(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoBay]:
    with running_bay(tmp_path_factory.mktemp("ids")) as bay:
        yield bay


def test_the_same_id_is_taken_once(wires: DemoBay, tmp_path: Path) -> None:
    """The second answer tells the first's entry, whoever says it."""
    with running_daemon(wires, tmp_path) as daemon:
        first = post(daemon, NOTE).json()
        again = post(daemon, NOTE | {"who": "somebody else"}).json()
        assert (again["repeated"], again["seq"]) == (True, first["seq"])
        assert notes(daemon) == ["fed wet"]


@pytest.mark.parametrize(
    "other", [{"text": "other words"}, {"time": "2026-01-02T06:00:00Z"}, {"photographs": ["/a.jpg"]}]
)
def test_the_same_id_for_something_else_is_refused(
    other: dict[str, Any], wires: DemoBay, tmp_path: Path
) -> None:
    with running_daemon(wires, tmp_path) as daemon:
        first = post(daemon, NOTE).json()
        answer = post(daemon, NOTE | other)
        assert answer.status_code == 409
        assert (
            f'the id "k-1" was used for another action (entry {first["seq"]}, note)'
            in answer.json()["detail"]
        )
        assert post(daemon, NOTE).json()["repeated"] is True


def test_a_refused_action_may_be_said_again_with_its_id(wires: DemoBay, tmp_path: Path) -> None:
    """Put right and sent again with the id it had, it is taken."""
    with running_daemon(wires, tmp_path) as daemon:
        assert post(daemon, {"action": "start-run", "lot": "L-9", "id": "k-2"}).status_code == 409
        assert post(daemon, {"action": "open-lot", "lot": "L-9"}).status_code == 200
        assert post(daemon, {"action": "start-run", "lot": "L-9", "id": "k-2"}).json()["accepted"] is True


@pytest.mark.parametrize("checkpoint", [True, False])
def test_an_id_is_remembered_over_a_restart(checkpoint: bool, wires: DemoBay, tmp_path: Path) -> None:
    """From the checkpoint, and where the past is folded again; with other words it stays refused."""
    with running_daemon(wires, tmp_path) as daemon:
        first = post(daemon, NOTE).json()
        if not checkpoint:
            daemon.loop._key = ""  # none is kept: the next start folds the past again
    with running_daemon(wires, tmp_path) as daemon:
        until(lambda: daemon.loop.snapshot()["recording"]["message"] == "", what="folding")
        again = post(daemon, NOTE).json()
        assert (again["repeated"], again["seq"]) == (True, first["seq"])
        assert post(daemon, NOTE | {"text": "other words"}).status_code == 409
        assert post(daemon, {"action": "note", "text": "new", "id": "k-3"}).json()["repeated"] is False
