"""`tallydeck check --probe` on a Modbus bus."""

from __future__ import annotations

from pathlib import Path

from logger.commands.check import probe_ports
from logger.settings import loads

from .devices import TcpDevices, device


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
