"""`tallydeck check --probe` on a Modbus bus."""

from __future__ import annotations

import json
from pathlib import Path

from typer.testing import CliRunner

from logger.cli import app
from logger.commands.check import probe_ports
from logger.settings import loads

from .cable import FRAME, Answerer, Cable
from .devices import Line, RtuDevices, TcpDevices, device

SHIPPED = Path(__file__).parents[2] / "config" / "flow-meters.toml"


def test_every_instrument_of_a_bus_is_probed_and_the_dead_one_named() -> None:
    config = """
        [instruments.{name}]
        port = "{url}"
        dialect = "modbus"
        quantity = "flow"
        interval = "50 ms"
        timeout = "100 ms"
        modbus = {{ device = {device}, register = 0, number = "uint16", scale = "0.01 L/min" }}
    """
    station = '[stations.t]\nfeed.kind = "unweighed"\noutlets = { a = { scale = false } }\n'
    station += 'water = { w = { meter = "live" } }'
    with TcpDevices([device(1, {0: [1234]}), device(2, {0: [1]}, dead=True)]) as meters:
        tables = [
            config.format(name=name, url=meters.url, device=number)
            for number, name in enumerate(("live", "dead"), 1)
        ]
        configuration = loads("\n".join([*tables, station]), env={"HOME": str(Path.home())})
        live, dead = probe_ports(configuration, 1.5)
    assert (live["alive"], dead["alive"]) == (True, False)
    assert live["says"].endswith("last 12.34 L/min")
    assert "device 2" in dead["says"]


def test_the_shipped_configuration_is_probed_on_the_command_line(tmp_path: Path) -> None:
    """Only its device names are changed; registers, line and scale are as it stands."""
    text = SHIPPED.read_text("utf-8")
    by_id = "/dev/serial/by-id/usb-serial_adapter_000{}-if00-port0"
    for number, path in ((1, "hopper"), (2, "bus")):
        assert by_id.format(number) in text
        text = text.replace(by_id.format(number), str(tmp_path / path))
    config = tmp_path / "bay.toml"
    config.write_text(text, "utf-8")
    meters = [device(1, {2: [1650]}), device(2, {0: [4711]})]
    with (
        Cable(tmp_path / "hopper") as hopper,
        RtuDevices(meters) as made,
        Line(tmp_path / "bus", made),
    ):
        hopper.plug()
        with Answerer(hopper, b"W", lambda _: FRAME):
            done = CliRunner().invoke(app, ["check", str(config), "--probe", "--seconds", "1.5", "--json"])
    probed = {each["name"]: each for each in json.loads(done.stdout)["probe"]}
    assert done.exit_code == 0
    assert probed["feed"]["says"].endswith("last 1.234 kg")
    assert probed["deck-water"]["says"].endswith("last 16.50 L/min")
    assert probed["feed-water"]["says"].endswith("last 4711 pulse")
    assert [each["garbage"] for each in probed.values()] == [0, 0, 0]
