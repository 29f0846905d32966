"""A weigh-up from the wires to the API, on a simulated bay; and after the daemon was started again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from logger.app import Daemon
from logger.balance.document import WeighUp
from logger.board.client import DaemonClient
from logger.core.walltime import parse_rfc3339
from logger.settings import load
from tests.app.bays import running_bay, until, write_configuration

SAID: list[dict[str, Any]] = [
    {"action": "open-lot", "lot": "L-1", "material": "floor sweepings", "gross": "9 kg", "tare": "1 kg"},
    {"action": "start-run", "lot": "L-1"},
    {"action": "end-run", "hold_up": "0.2 kg"},
    {"action": "weigh-product", "outlet": "spill-tray", "container": "1", "gross": "3 kg", "tare": "1 kg"},
    {"action": "register-sample", "sample": "C1", "outlet": "concentrate"},
    {"action": "sample-result", "sample": "C1", "assay": {"bronze": "81 %"}, "u": "0.5 %"},
    {"action": "moisture", "sample": "C1", "share": "4 %"},
    {"action": "check-weight", "scale": "middlings", "nominal": "5 kg", "shown": "5.005 kg"},
    {"action": "sell-as", "outlet": "concentrate", "grade": "bronze-scrap", "answers": {"dry": True}},
]


def over(client: DaemonClient) -> bool:
    """Whether the seconds that the run ended in are all known."""
    (run,) = client.runs()
    return parse_rfc3339(client.state()["at"]) - parse_rfc3339(run["end"]) > 5 * 10**9


def test_a_weigh_up_follows_from_what_was_weighed_and_said(tmp_path: Path) -> None:
    """The same before and after a restart, by run and by lot."""
    with running_bay(tmp_path, speed=2.0) as wires:
        config = write_configuration(wires, tmp_path)
        told = []
        for start in range(2):
            daemon = Daemon(load(config))
            daemon.start()
            try:
                token = (daemon.directory / "token").read_text().strip()
                client = DaemonClient(daemon.board.url, token)
                if start == 0:
                    ages = lambda: [i["age_s"] for i in daemon.loop.snapshot()["instruments"]]  # noqa: B023, E731
                    until(lambda: all(age is not None for age in ages()), what="a reading of each")  # noqa: B023
                    answers = [client.submit(action) for action in SAID]
                    assert [answer.reason for answer in answers if not answer.accepted] == []
                    until(lambda: over(client), what="the last second of the run to be over")  # noqa: B023
                told.append((client.weigh_up("run-1"), client.lot_weigh_up("L-1"), client.runs()))
                balanced = client.balance("run-1", "linear")
            finally:
                daemon.stop()
    assert told[0] == told[1]
    document = WeighUp.model_validate(told[0][0])
    assert document.components == ("bronze",)
    concentrate = document.streams["concentrate"]
    assert [each.sample for each in concentrate.compositions if each.way == "assay"] == ["C1"]
    assert concentrate.moisture is not None
    assert document.streams["spill-tray"].containers[0].gross == 3.0
    assert document.streams["hold-up"].net == 0.2
    assert document.scales["middlings"].checks[0].shown == 5.005
    assert balanced["streams"]["spill-tray"]["wet"]["value"] == 2.0
    assert balanced["streams"]["concentrate"]["components"]["bronze"]["measured"]["how"] == "assayed"
