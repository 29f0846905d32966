"""The broker's example files: mosquitto is started from them, with the passwords and certificates made as the
README says."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.mosquitto import PROGRAM, Talker, needs_mosquitto, needs_openssl, until
from tests.program import Program, filled, free_port, listens

BROKER = Path(__file__).parent.parent.parent / "deploy" / "broker"
ROOT = "tallydeck/foundry-bay"
PASSWORDS = {
    name: f"{name}'s word"
    for name in ("foundry-bay", "foundry-scales", "foundry-beacon", "foundry-panel", "office")
}

pytestmark = needs_mosquitto


def from_readme(start: str, places: dict[str, str]) -> list[str]:
    """The README's commands that begin so, with the places of this test."""
    text = filled(BROKER / "README.md", places)
    found = [line.strip() for line in text.splitlines() if line.startswith(f"    {start}")]
    assert found, f"the README says nothing about {start}"
    return found


class Example(Program):
    """mosquitto from the example's files. ``with_tls`` adds `tls.conf`, ``ask`` its lines that are marked."""

    def __init__(self, home: Path, *, with_tls: bool = False, ask: bool = False) -> None:
        assert PROGRAM is not None
        self.home, self.port, self.tls_port = home, free_port(), free_port()
        self.authority = home / "tls" / "authority.pem"
        (home / "conf.d").mkdir(parents=True)
        owner = "root" if os.geteuid() == 0 else "mosquitto"
        (home / "mosquitto.conf").write_text(
            filled(
                BROKER / "mosquitto.conf",
                {
                    "user mosquitto": f"user {owner}",
                    "listener 1883": f"listener {self.port}",
                    "/etc/mosquitto": str(home),
                    "/var/lib/mosquitto/": f"{home}/",
                },
            )
        )
        (home / "rights").write_text((BROKER / "rights").read_text())
        self._passwords()
        for name in ("rights", "passwords"):
            (home / name).chmod(0o600)
        if with_tls:
            self._certificates()
            text = filled(
                BROKER / "tls.conf",
                {
                    "listener 8883": f"listener {self.tls_port} 127.0.0.1",
                    "/etc/mosquitto": str(home),
                },
            )
            if ask:
                text = text.replace("#cafile", "cafile").replace("#require", "require")
            (home / "conf.d" / "tls.conf").write_text(text)
        command = [PROGRAM, "-c", str(home / "mosquitto.conf")]
        super().__init__("mosquitto", command, home / "mosquitto.log", lambda: listens(self.port))

    def _passwords(self) -> None:
        """As the README makes the first one, for every name in `rights`."""
        line = from_readme("mosquitto_passwd", {"/etc/mosquitto": str(self.home)})[0]
        assert line.endswith('foundry-bay "$(cat bay-password)"')
        (self.home / "passwords").touch()
        for name, password in PASSWORDS.items():
            (self.home / "bay-password").write_text(password)
            self._sh(line.replace("foundry-bay", name))

    def _certificates(self) -> None:
        places = {"/etc/mosquitto": str(self.home), "broker.example": "localhost"}
        (folder,) = from_readme("mkdir", places)
        lines = from_readme("openssl", places)
        (ext,) = from_readme("printf", places)
        self._sh("\n".join([folder, *lines[:2], ext, *lines[2:]]))

    def _sh(self, text: str) -> None:
        subprocess.run(["sh", "-ec", text], cwd=self.home, check=True, capture_output=True)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Example]:
    with Example(tmp_path / "broker") as made:
        yield made


def talker(broker: Example, name: str, *topics: str) -> Talker:
    return Talker(broker.port, *topics, user=(name, PASSWORDS[name]))


def test_every_name_in_the_rights_has_a_password_here(broker: Example) -> None:
    named = [line.split()[1] for line in (BROKER / "rights").read_text().splitlines() if line[:5] == "user "]
    assert sorted(named) == sorted(PASSWORDS)


@pytest.mark.parametrize("user", [None, ("foundry-bay", "wrong"), ("nobody", "at all")])
def test_nobody_gets_in_without_the_right_password(broker: Example, user: tuple[str, str] | None) -> None:
    with pytest.raises(AssertionError, match="connection"):
        Talker(broker.port, user=user, patience_s=0.5)


def test_each_is_heard_where_its_rights_say_and_nowhere_else(broker: Example) -> None:
    """The office listens to all that may be listened to; what was forbidden never comes to it."""
    told = [
        ("foundry-bay", f"{ROOT}/status", True),
        ("foundry-bay", f"{ROOT}/station/table/outlet/concentrate", True),
        ("foundry-bay", "tallydeck/other-bay/status", False),
        ("foundry-scales", f"{ROOT}/act", False),
        ("foundry-beacon", f"{ROOT}/beacon", False),
        ("foundry-panel", f"{ROOT}/act", True),
        ("foundry-panel", f"{ROOT}/status", False),
        ("office", f"{ROOT}/act", False),
    ]
    with talker(broker, "office", "tallydeck/#") as office:
        for name, topic, _ in told:
            with talker(broker, name) as client:
                client.say(topic, name)
        with talker(broker, "foundry-bay") as bay:
            bay.say(f"{ROOT}/end", "")
        until(lambda: any(message.topic.endswith("/end") for message in office.heard), "the end")
        heard = [(message.payload.decode(), message.topic) for message in office.heard[:-1]]
    assert heard == [(name, topic) for name, topic, allowed in told if allowed]


def test_a_beacon_hears_what_is_meant_for_it_and_no_more(broker: Example) -> None:
    with talker(broker, "foundry-beacon", "#") as beacon, talker(broker, "foundry-bay") as bay:
        bay.say(f"{ROOT}/station/table", "{}")
        bay.say(f"{ROOT}/station/table/beacon", "steady")
        bay.say(f"{ROOT}/beacon", "off")
        until(lambda: len(beacon.heard) == 2, "both beacons")
        assert [m.topic for m in beacon.heard] == [f"{ROOT}/station/table/beacon", f"{ROOT}/beacon"]


def test_a_scale_is_read_and_reads_nothing(broker: Example) -> None:
    with (
        talker(broker, "foundry-bay", "scales/#") as bay,
        talker(broker, "foundry-scales", "#") as scales,
    ):
        scales.say("scales/foundry-bay/bench", "1.25")
        until(lambda: bay.heard, "the reading")
        assert (bay.heard[0].payload, scales.heard) == (b"1.25", [])


def test_what_is_retained_outlives_a_restart(broker: Example) -> None:
    with talker(broker, "foundry-bay") as bay:
        bay.say(f"{ROOT}/status", "offline", retain=True)
    broker.stop()
    broker.start()
    with talker(broker, "office", "tallydeck/#") as office:
        until(lambda: office.heard, "what is retained")


@needs_openssl
def test_from_elsewhere_it_is_encrypted_and_still_asks_for_the_password(tmp_path: Path) -> None:
    with Example(tmp_path / "broker", with_tls=True) as broker:
        user = ("foundry-bay", PASSWORDS["foundry-bay"])
        with Talker(broker.tls_port, f"{ROOT}/#", user=user, authority=broker.authority) as bay:
            bay.say(f"{ROOT}/status", "online")
            until(lambda: bay.heard, "its own message")
        with pytest.raises(AssertionError, match="connection"):
            Talker(broker.tls_port, user=("foundry-bay", "no"), authority=broker.authority, patience_s=0.5)


@needs_openssl
def test_with_the_marks_taken_away_a_client_needs_a_certificate(tmp_path: Path) -> None:
    """The broker's own serves as a client's: it is of the same authority."""
    with Example(tmp_path / "broker", with_tls=True, ask=True) as broker:
        user = ("foundry-bay", PASSWORDS["foundry-bay"])
        own = (broker.home / "tls" / "broker.pem", broker.home / "tls" / "broker.key")
        with Talker(broker.tls_port, user=user, authority=broker.authority, certificate=own):
            pass
        with pytest.raises((AssertionError, OSError)):
            Talker(broker.tls_port, user=user, authority=broker.authority, patience_s=0.5)
