"""An instrument added to a configuration: what stands there stays, and the whole is right or unchanged."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.core.guess.proposal import Proposal, propose
from logger.core.guess.score import fit
from logger.settings import load
from logger.settings.adding import AddError, add_instrument, instrument_toml

ENV = {"HOME": "/nonexistent"}
ROOT = Path(__file__).parents[2]
PORT = "/dev/serial/by-id/usb-one"


def proposal(
    text: str = "{:>9.3f} kg", end: str = "\r\n", request: bytes = b"", framing: str = "7E1"
) -> Proposal:
    chunks = [(n * 10**9, (text.format(1 + n * 0.015) + end).encode()) for n in range(20)]
    return propose(fit(chunks, asked=True), (4800, framing), request)


def add(path: Path, found: Proposal, name: str = "extra") -> str:
    return add_instrument(path, name, PORT, found, ENV)


@pytest.mark.parametrize(
    "found",
    [
        proposal(),
        proposal("ST,GS,{:>9.3f} lb"),
        proposal("FLOW {:>8.2f} L/min", "\n"),
        proposal("\x02{{{:>9.3f}kg}}\x03", "\r"),
        proposal('"{:>9.3f}\\ kg', request=b'"\\\x05\r\n'),
        proposal(" 1G  {:>10.3f}kg ", "\r", b"\nW\r"),
    ],
    ids=["plain", "words", "flow", "braces", "quotes", "asked"],
)
def test_a_new_file_is_right_as_it_stands(tmp_path: Path, found: Proposal) -> None:
    path = tmp_path / "bay.toml"
    add(path, found)
    one = load(path, ENV).instruments[0]
    assert (one.name, one.port, one.baud, one.data_bits, one.parity) == ("extra", PORT, 4800, 7, "E")
    assert one.line == found.line
    assert load(path, ENV).unwired == ()


def test_what_stands_in_a_file_stays_to_the_byte(tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    old = (ROOT / "config" / "one-scale.toml").read_bytes()
    path.write_bytes(old)
    path.chmod(0o640)
    add(path, proposal())
    assert path.read_bytes().startswith(old)
    assert [each.name for each in load(path, ENV).instruments] == ["concentrate", "extra"]
    assert path.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    "old",
    [
        b"# mine, and no line end",
        b"\xef\xbb\xbf# with a mark\n",
        b"# of another system\r\n[bay]\r\nname = 'x'\r\n",
    ],
)
def test_an_odd_beginning_stays_to_the_byte(tmp_path: Path, old: bytes) -> None:
    path = tmp_path / "bay.toml"
    path.write_bytes(old + b"\n[stations.table]\noutlets = ['extra']\n")
    before = path.read_bytes()
    add(path, proposal())
    assert path.read_bytes().startswith(before)
    assert load(path, ENV).instruments[0].name == "extra"


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.toml", tmp_path / "link.toml"
    real.write_text("[stations.table]\noutlets = ['extra']\n")
    link.symlink_to(real)
    add(link, proposal())
    assert link.is_symlink()
    assert "[instruments.extra]" in real.read_text()


@pytest.mark.parametrize(
    ("old", "says"),
    [
        ('[instruments.extra]\nport = "/dev/x"\n', "has an instrument"),
        ("[instruments\n", "is not TOML"),
        (
            f'[instruments.a]\nport = "{PORT}"\nresolution = "1 g"\n[stations.t]\noutlets = ["a"]\n',
            "would be wrong",
        ),
        ("instruments = {}\n[stations.t]\nresolution = '5 g'\noutlets = ['a']\n", "would be wrong"),
        ("[stations.t]\nresolution = '5 g'\ntarget = '45 kg/h'\noutlets = ['a']\n", "would be wrong"),
    ],
    ids=["same name", "no TOML", "same port", "a table in one line", "scales that were implied"],
)
def test_a_file_that_would_be_wrong_is_not_changed(tmp_path: Path, old: str, says: str) -> None:
    path = tmp_path / "bay.toml"
    path.write_text(old)
    with pytest.raises(AddError, match=says):
        add(path, proposal())
    assert path.read_text() == old
    assert list(tmp_path.iterdir()) == [path]


def test_a_fault_that_was_there_before_hinders_nothing(tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    path.write_text("[bay]\ntime_zone = 'Nowhere/City'\n[stations.t]\noutlets = ['extra']\n")
    add(path, proposal())
    assert "[instruments.extra]" in path.read_text()


def test_a_proposal_without_a_unit_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    with pytest.raises(AddError, match="--unit kg"):
        add(path, proposal("{:>9.3f}"))
    assert not path.exists()
    add(path, proposal("{:>9.3f}").with_unit("lb"))
    assert load(path, ENV).instruments[0].line is not None


def test_a_unit_that_is_unknown_is_refused() -> None:
    with pytest.raises(ValueError, match="is not known"):
        proposal("{:>9.3f}").with_unit("stone")


def test_what_it_could_not_tell_stands_in_the_file() -> None:
    text = instrument_toml("extra", PORT, proposal())
    for question in ("capacity", "zero tracking", "gross or net", "container"):
        assert f"# ? {question}" in text.replace("# ? the container", "# ? container")


def test_a_name_that_may_not_be_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    path = tmp_path / "bay.toml"
    with pytest.raises(AddError, match="letters, digits"):
        add(path, proposal(), "two words")
    assert not path.exists()
