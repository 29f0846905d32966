"""Commissioning over the API: bodies, bounds, refusals; real ports where it is about ports."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest

from logger.ports.bench import WireBench, WireRefused
from tests.board.fake_desk import TOKEN, FakeDesk, served
from tests.board.snapshots import calm
from tests.ports.cable import await_true
from tests.ports.on_ptys import OnPty
from tests.ports.strangers import BY_NAME, Stranger

SCALE = Stranger("padded", (9600, "8N1"), BY_NAME["padded with words"].frames)


class FakeWires:
    """Notes what it is asked; refuses where a test says so."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []
        self.refusal: WireRefused | None = None

    def list(self) -> list[dict[str, Any]]:
        return [{"name": "/dev/serial/by-id/one"}]

    def listen(self, port: str, baud: int, framing: str, seconds: float, send: bytes) -> dict[str, Any]:
        return self._note(port=port, baud=baud, framing=framing, seconds=seconds, send=send)

    def find(self, port: str, **more: Any) -> dict[str, Any]:
        return self._note(port=port, **more)

    def _note(self, **asked: Any) -> dict[str, Any]:
        if self.refusal is not None:
            raise self.refusal
        self.asked.append(asked)
        return {"done": True}


@pytest.fixture(scope="module")
def wires() -> FakeWires:
    return FakeWires()


@pytest.fixture(scope="module")
def url(wires: FakeWires) -> Iterator[str]:
    with served(FakeDesk(calm()), wires=wires) as board:
        yield board.url


@pytest.fixture
def ask(url: str, wires: FakeWires) -> Iterator[httpx.Client]:
    wires.asked.clear()
    wires.refusal = None
    headers = {"Authorization": f"Bearer {TOKEN}"}
    with httpx.Client(base_url=url, headers=headers, trust_env=False, timeout=20) as client:
        yield client


def test_the_list_is_given(ask: httpx.Client) -> None:
    assert ask.get("/api/v1/wires").json() == [{"name": "/dev/serial/by-id/one"}]


@pytest.mark.parametrize("path", ["/api/v1/wires", "/api/v1/wires/listen", "/api/v1/wires/find"])
def test_a_stranger_gets_nothing(url: str, path: str, wires: FakeWires) -> None:
    wires.asked.clear()
    method = "GET" if path.endswith("wires") else "POST"
    headers = {"Authorization": "Bearer wrong"}
    answer = httpx.request(
        method, url.rstrip("/") + path, json={"port": "/dev/x"}, headers=headers, trust_env=False
    )
    assert answer.status_code == 401
    assert wires.asked == []


def test_a_search_is_silent_unless_it_is_told_otherwise(ask: httpx.Client, wires: FakeWires) -> None:
    for body in ({}, {"silent": False}, {"ask": ["W\r\n"]}, {"silent": True}):
        assert ask.post("/api/v1/wires/find", json={"port": "/dev/x", **body}).status_code == 200
    assert [(each["silent"], each["ask"]) for each in wires.asked] == [
        (True, ()),
        (False, ()),
        (False, (b"W\r\n",)),
        (True, ()),
    ]


def test_bytes_to_send_are_characters_of_one_byte(ask: httpx.Client, wires: FakeWires) -> None:
    ask.post("/api/v1/wires/listen", json={"port": "/dev/x", "send": "\x05\xff"})
    assert wires.asked[0]["send"] == b"\x05\xff"


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("listen", {}),
        ("listen", {"port": "/dev/x", "seconds": 31}),
        ("listen", {"port": "/dev/x", "seconds": 0}),
        ("listen", {"port": "/dev/x", "send": "€"}),
        ("listen", {"port": "/dev/x", "more": 1}),
        ("find", {"port": "/dev/x", "seconds": 181}),
        ("find", {"port": "/dev/x", "silent": True, "ask": ["W"]}),
        ("find", {"port": "/dev/x", "ask": [""]}),
        ("find", {"port": "/dev/x", "name": "no name\n"}),
        ("find", ["/dev/x"]),
    ],
)
def test_what_is_out_of_bounds_is_refused(ask: httpx.Client, wires: FakeWires, path: str, body: Any) -> None:
    answer = ask.post(f"/api/v1/wires/{path}", json=body)
    assert (answer.status_code, answer.json()["code"]) == (422, "invalid-request")
    assert wires.asked == []


def test_a_body_that_is_no_json_is_refused(ask: httpx.Client) -> None:
    answer = ask.post("/api/v1/wires/find", content=b"{", headers={"Content-Type": "application/json"})
    assert answer.status_code == 422


def test_a_body_of_another_kind_is_refused(ask: httpx.Client) -> None:
    assert (
        ask.post("/api/v1/wires/find", content=b"{}", headers={"Content-Type": "text/plain"}).status_code
        == 415
    )


def test_a_refusal_tells_which_instrument_holds_the_port(ask: httpx.Client, wires: FakeWires) -> None:
    wires.refusal = WireRefused("held", "the daemon reads it", "look at the board", instrument="feed")
    answer = ask.post("/api/v1/wires/find", json={"port": "/dev/x"})
    assert (answer.status_code, answer.json()["code"], answer.json()["instrument"]) == (409, "held", "feed")


# ---------------------------------------------------------------------- the bench behind it


@pytest.fixture
def scale() -> Iterator[OnPty]:
    with OnPty(SCALE) as pty:
        yield pty


def search(bench: WireBench, port: str, **more: Any) -> dict[str, Any]:
    known = {
        "silent": True,
        "ask": (),
        "baud": 9600,
        "framing": "8N1",
        "seconds": 5.0,
        "name": "s",
        "unit": None,
    }
    return bench.find(port, **(known | more))


def test_a_scale_is_found(scale: OnPty) -> None:
    found = search(WireBench({}), scale.path)
    assert found["proposal"]["layout"] == "{status:2},{mode:2},{number:9} {unit}"
    assert "[instruments.s]" in found["proposal"]["toml"]


def test_a_port_is_listened_to(scale: OnPty) -> None:
    heard = WireBench({}).listen(scale.path, 9600, "8N1", 0.6, b"")
    assert any(piece["text"].endswith("kg<CR><LF>") for piece in heard["pieces"])


def test_a_port_that_the_daemon_reads_is_refused_by_any_of_its_names(scale: OnPty, tmp_path: Any) -> None:
    link = tmp_path / "by-id"
    link.symlink_to(scale.path)
    bench = WireBench({str(link): "feed", "socket://10.0.0.9:4001": "tub"})
    for port, instrument in ((scale.path, "feed"), (str(link), "feed"), ("rfc2217://10.0.0.9:4001", "tub")):
        with pytest.raises(WireRefused) as refused:
            bench.listen(port, 9600, "8N1", 1.0, b"")
        assert (refused.value.code, refused.value.more) == ("held", {"instrument": instrument})


def test_one_at_a_time(scale: OnPty) -> None:
    bench = WireBench({})

    def code() -> str:
        with pytest.raises(WireRefused) as refused:
            bench.listen("/dev/null", 9600, "8N1", 0.1, b"")
        return refused.value.code

    with ThreadPoolExecutor() as pool:
        first = pool.submit(bench.listen, scale.path, 9600, "8N1", 20.0, b"")
        await_true(lambda: scale.opened, "the port is open")
        assert code() == "busy"
        bench.end()
        first.result(5)
    assert code() == "no-port"


@pytest.mark.parametrize(
    ("port", "code"),
    [
        ("/etc/passwd", "no-wire"),
        ("COM1", "no-wire"),
        ("/dev/null", "no-port"),
        ("socket://127.0.0.1:9", "no-port"),
    ],
)
def test_what_is_no_port_is_refused(port: str, code: str) -> None:
    with pytest.raises(WireRefused) as refused:
        WireBench({}).listen(port, 9600, "8N1", 0.1, b"")
    assert refused.value.code == code


def test_a_search_ends_in_time(scale: OnPty) -> None:
    with pytest.raises(WireRefused) as refused:
        search(WireBench({}), scale.path, baud=1200, seconds=0.3)
    assert refused.value.code == "not-found-in-time"


def test_a_refused_search_leaves_the_bench_free(scale: OnPty) -> None:
    bench = WireBench({})
    for _ in range(2):
        with pytest.raises(WireRefused) as refused:
            bench.listen("/dev/null", 9600, "8N1", 0.1, b"")
        assert refused.value.code == "no-port"
