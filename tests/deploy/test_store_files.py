"""The example files of the stores. That they start and take what is written: `tests/test_servers.py`."""

from __future__ import annotations

import re
import subprocess
import time
from pathlib import Path

import pytest
from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from logger import settings
from tests.program import filled
from tests.servers import Influx, VictoriaMetrics, needs_influx, needs_victoria, until_held

DEPLOY = Path(__file__).parent.parent.parent / "deploy"
STORE = DEPLOY / "store"
YEAR_S = 365 * 86_400


def tables(readme: Path) -> list[str]:
    """The pieces of configuration in a README: indented, from a line [store] or [mqtt] on."""
    pieces = re.findall(r"(?:^    .*\n)+", readme.read_text("utf-8"), re.MULTILINE)
    plain = [re.sub(r"^    ", "", piece, flags=re.MULTILINE) for piece in pieces]
    return [piece for piece in plain if piece.startswith(("[store]", "[mqtt]"))]


@pytest.mark.parametrize("name", ["store", "broker"])
def test_the_tables_of_the_readmes_are_understood(name: str, tmp_path: Path) -> None:
    found = tables(DEPLOY / name / "README.md")
    assert found
    (tmp_path / "secret").write_text("x")
    for table in found:
        text = (DEPLOY.parent / "config" / "short.toml").read_text("utf-8")
        told = re.sub(r"file:/etc/tallydeck/[a-z-]+", f"file:{tmp_path}/secret", table)
        configuration = settings.loads(f"{text}\n{told}")
        assert configuration.store is not None or configuration.mqtt is not None


@needs_influx
def test_a_token_made_as_the_readme_says_opens_the_door(tmp_path: Path) -> None:
    """And no other does, nor the same for another bucket."""
    lines = filled(STORE / "README.md", {"/etc/tallydeck": str(tmp_path)}).splitlines()
    made = [line.strip() for line in lines if line.strip().startswith(("openssl rand", "printf"))]
    with Influx(tmp_path, buckets=("tallydeck", "other")) as store:
        subprocess.run(["sh", "-ec", "\n".join(made)], check=True)
        store.door.stop()
        store.door.start()
        token = (tmp_path / "store-token").read_text().strip()
        assert len(token) == 48
        for tried, bucket, status in (
            ("no", "tallydeck", 401),
            (token, "other", 401),
            (token, "tallydeck", 0),
        ):
            assert _write(store, tried, bucket) == status
        assert len(store.held()) == 1
        assert len(store.held("other")) == 0


def _write(store: Influx, token: str, bucket: str) -> int:
    with InfluxDBClient(store.url, token, "", retries=False) as client:
        try:
            client.write_api(write_options=SYNCHRONOUS).write(bucket, "", f"reading,bay=a kg=1 {10**18}")
        except ApiException as error:
            return int(error.status or -1)
    return 0


@needs_victoria
def test_points_of_years_ago_are_taken_and_not_dropped(tmp_path: Path) -> None:
    """The program answers 204 to points outside its retention too; so look whether they are there."""
    with VictoriaMetrics(tmp_path) as store, InfluxDBClient(store.url, "any", "") as client:
        now_s = int(time.time())
        lines = [f"reading,bay=a kg={years} {(now_s - years * YEAR_S) * 10**9}" for years in (0, 1, 9)]
        client.write_api(write_options=SYNCHRONOUS).write("tallydeck", "", lines)
        held = until_held(store, 3, bay="a")
    assert sorted(fields["kg"] for fields in held.values()) == [0, 1, 9]


def test_the_arguments_come_whole_through_a_service_s_environment() -> None:
    """A service splits $ARGS at white space and nothing else; no argument may have any."""
    text = (STORE / "victoria-metrics.default").read_text()
    found = re.search(r'^ARGS="(.*)"$', text, re.MULTILINE)
    assert found is not None
    assert all(re.fullmatch(r"-[A-Za-z.]+=[^\s\"'\\$]+", argument) for argument in found[1].split())
