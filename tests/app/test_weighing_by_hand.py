"""A container put on a scale, from the command line to the books, on a simulated bay's real wires."""

from __future__ import annotations

import json
from pathlib import Path

from typer.testing import CliRunner

from logger.app import Daemon
from logger.cli import app
from logger.settings import load
from tests.app.bays import running_bay, until, write_configuration


def test_a_container_is_weighed_on_a_scale_of_the_bay(tmp_path: Path) -> None:
    """The empty pail on the scale weighs about 1 kg; lot, list of what was said and tare agree."""
    with running_bay(tmp_path, speed=2.0) as wires:
        config = write_configuration(wires, tmp_path)
        daemon = Daemon(load(config))
        daemon.start()
        try:
            ages = lambda: [each["age_s"] for each in daemon.loop.snapshot()["instruments"]]  # noqa: E731
            until(lambda: all(age is not None for age in ages()), what="a reading from every instrument")
            runner = CliRunner(env={"TALLYDECK_CONFIG": str(config), "NO_COLOR": "1", "COLUMNS": "200"})
            runner.invoke(app, ["lot", "open", "L-1", "--container", "1=12.5 kg"])
            words = ["lot", "weigh", "L-1", "1", "--tare", "weigh", "--scale", "middlings", "--json"]
            done = runner.invoke(app, words)
            assert done.exit_code == 0, done.stderr
            answer = json.loads(done.stdout)
            (lot,) = daemon.loop.lots()
            said = next(each for each in daemon.loop.said() if each["entry"] == answer["seq"])
            listed = runner.invoke(app, ["said"]).stdout
        finally:
            daemon.stop()
    kg = answer["data"]["weighed"]["tare_kg"]
    assert 0.8 < kg < 1.2
    assert [(each["fact"], each["kg"]) for each in said["found"]] == [("weighed", kg)]
    assert [(each["gross_kg"], each["tare_kg"]) for each in lot["containers"]] == [(12.5, kg)]
    assert f"tare=weigh scale=middlings (tare {kg:.6g} kg)" in listed
