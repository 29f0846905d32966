"""Finding speed, format and layout of strangers, on a bench whose wire garbles at wrong settings."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from logger.ports.finding import BAUDS, Found, Plan, Stopped, find, plan
from logger.ports.wire import WireError

from .strangers import BY_NAME, STRANGERS, Bench, Stranger, weights

LAYOUTS = {
    "padded with words": "{status:2},{mode:2},{number:9} {unit}",
    "even parity, slow, a motion mark": "{status:1} {number:8} {unit}",
    "odd parity, zeros, CR": "W{number:9}{unit}",
    "two stop bits, comma": "{number:10} {unit:2} {status:1}",
    "eight bits and parity, fast": "{number} {unit}",
    "STX, ETX, CR": "\x02{status:1} {number:7}{unit}\x03",
    "gross, tare, net": "G {number:8}{unit:2} T {skip:8}kg N {skip:8}kg",
    "a count before it": "{skip:5} {number:9} {unit:2} {status:2}",
    "flow, LF alone": "FLOW {number:7} {unit}",
    "asked by a letter": "{status:1} {number:8} {unit}",
    "asked by ENQ": "{number:9}{unit}",
}


@cache
def search(stranger: Stranger, how: Plan | None = None) -> tuple[Found, Bench]:
    """What was found, and the bench it was found on; several tests look at the same search."""
    bench = Bench(stranger)
    return find(bench.open, how or plan(), now=bench.now), bench


@pytest.mark.parametrize("stranger", STRANGERS, ids=lambda each: each.name)
def test_a_stranger_is_understood(stranger: Stranger) -> None:
    found, _ = search(stranger)
    assert found.proposal is not None
    got = found.proposal
    baud, framing = stranger.setting
    assert got.settings == (baud, "8N1" if framing == "8N2" else framing)
    assert got.request == stranger.request
    assert (got.line.layout if got.line else "") == LAYOUTS.get(stranger.name, "")
    assert got.read == got.of > 5


@pytest.mark.parametrize(
    "stranger", [each for each in STRANGERS if not each.request], ids=lambda each: each.name
)
def test_nothing_is_sent_to_what_sends_by_itself(stranger: Stranger) -> None:
    found, bench = search(stranger)
    assert (bench.sent, found.sent) == ([], ())


@pytest.mark.parametrize("stranger", [each for each in STRANGERS if each.request], ids=lambda each: each.name)
def test_silent_sends_nothing_and_says_so(stranger: Stranger) -> None:
    found, bench = search(stranger, plan(requests=()))
    assert bench.sent == []
    assert found.proposal is None
    assert "silence" in found.verdict
    assert "nothing was sent" in found.verdict


def test_all_that_was_sent_is_told() -> None:
    found, bench = search(BY_NAME["asked by ENQ"])
    assert set(found.sent) == set(bench.sent)


def test_only_the_requests_that_were_named_are_sent() -> None:
    found, bench = search(BY_NAME["asked by a letter"], plan(requests=[b"P\r\n"]))
    assert set(bench.sent) == {b"P\r\n"}
    assert found.proposal is not None


def test_a_setting_that_is_known_is_tried_alone() -> None:
    stranger = BY_NAME["padded with words"]
    found, _ = search(stranger, plan(baud=9600, framing="8N1"))
    assert {trial.setting for trial in found.trials} == {(9600, "8N1")}


def test_a_wire_without_settings_is_listened_to_as_it_is() -> None:
    stranger = BY_NAME["a count before it"]
    found, _ = search(stranger, plan(has_settings=False))
    assert found.proposal is not None
    assert found.proposal.settings is None


def test_the_interval_of_a_stream_is_measured() -> None:
    found, _ = search(BY_NAME["two stop bits, comma"])
    assert found.proposal is not None
    assert found.proposal.interval_s == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("every_s", [3.0, 7.0])
def test_one_that_sends_seldom_is_waited_for_and_not_asked(every_s: float) -> None:
    frames = BY_NAME["padded with words"].frames
    found, bench = search(Stranger("seldom", (19200, "8N1"), frames, every_s=every_s))
    assert bench.sent == []
    assert found.proposal is not None
    assert found.proposal.settings == (19200, "8N1")
    assert found.proposal.interval_s == pytest.approx(every_s, abs=0.2)


def test_lines_without_a_pause_between_them_are_understood() -> None:
    frames = BY_NAME["padded with words"].frames
    found, _ = search(Stranger("fast", (9600, "7E1"), frames, every_s=0.02))
    assert found.proposal is not None
    assert found.proposal.settings == (9600, "7E1")


def test_silence_names_what_to_check() -> None:
    found, _ = search(Stranger("dead", (9600, "8N1"), lambda n: b"", request=b"never"))
    assert found.proposal is None
    assert "switched on" in found.verdict
    assert "--ask" in found.verdict


def test_garbage_at_every_setting_is_told_as_such() -> None:
    noise = Stranger("binary", (9600, "8N1"), lambda n: bytes((n * 37 + k * 91) % 256 for k in range(17)))
    found, _ = search(noise, plan(requests=()))
    assert found.proposal is None
    assert "none of the settings" in found.verdict


def test_one_that_answers_but_does_not_understand_is_told() -> None:
    deaf = Stranger("deaf", (9600, "8N1"), lambda n: b"", request=b"GIVE\r\n", error=b"ERR\r\n")
    found, _ = search(deaf)
    assert found.proposal is None
    assert 'it said "ERR' in found.verdict
    assert "9600 8N1" in found.verdict


def test_an_end_that_cannot_be_described_is_found_and_named() -> None:
    etx = Stranger("ETX", (9600, "8N1"), lambda n: f"\x02{weights(n)[0] / 100:8.2f} kg\x03".encode())
    found, _ = search(etx)
    assert found.proposal is not None
    assert found.proposal.settings == (9600, "8N1")
    assert "ETX" in found.proposal.trouble


def test_it_can_be_stopped() -> None:
    bench = Bench(BY_NAME["padded with words"])
    with pytest.raises(Stopped):
        find(bench.open, plan(), now=bench.now, stopped=lambda: bench.now_s > 0.5)


def test_every_speed_a_configuration_may_have_is_tried() -> None:
    from typing import get_args

    from logger.settings.document import InstrumentTable

    allowed = InstrumentTable.model_fields["baud"].annotation
    assert set(BAUDS) == set(get_args(allowed))


def test_an_adapter_that_refuses_the_format_still_gets_what_was_heard() -> None:
    """Seven bits are heard through eight; opening with seven fails on some adapters."""
    bench = Bench(BY_NAME["even parity, slow, a motion mark"])
    baud, framing = bench_setting = BY_NAME["even parity, slow, a motion mark"].setting

    def opener(setting: Any) -> Any:
        if setting == bench_setting:
            raise WireError(22, "no such setting")
        return bench.open(setting)

    found = find(opener, plan(), now=bench.now)
    assert found.proposal is not None
    assert found.proposal.settings == (baud, framing)
    assert any("nothing more could be learned" in note for note in found.notes)
