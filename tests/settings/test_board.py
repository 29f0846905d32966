"""What [board] comes to mean: the address, the names, who may log in, the certificate."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.settings import BoardSettings, Configuration, Secret, SettingsError, loads
from tests.certificates import make_certificate

STATION = '[stations.t]\nresolution = "5 g"\ntarget = "45 kg/h"\noutlets = ["a", "b"]\n'
ENV = {"HOME": "/home/bay", "CODE": "471108", "GUESTS": "2222"}


def read(board: str) -> Configuration:
    return loads(f"[board]\n{board}\n{STATION}", env=ENV)


def test_left_out_it_is_for_this_computer_only() -> None:
    configuration = loads(STATION, env=ENV)
    assert (configuration.board_host, configuration.board) == ("127.0.0.1", BoardSettings())


def test_all_of_it() -> None:
    told = read(
        'host = "::"\nnames = ["bay.local", "bay.example:443", "192.168.1.5", "fe80::1"]\n'
        'operator_code = "env:CODE"\nguest_code = "env:GUESTS"'
    )
    assert told.board_host == "::"
    names = ("bay.local", "bay.example:443", "192.168.1.5", "fe80::1")
    assert told.board == BoardSettings(names, Secret("471108"), Secret("2222"))


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.0.0.2"])
def test_on_this_computer_no_code_is_needed(host: str) -> None:
    assert read(f'host = "{host}"').board.operator_code is None


def test_guests_alone_may_read_on_the_network() -> None:
    assert read('host = "0.0.0.0"\nguests = true').board.guests


def test_a_code_may_come_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "operator-code"
    file.write_text("471108\n")
    assert read(f'operator_code = "file:{file}"').board.operator_code == Secret("471108")


def test_the_text_for_the_record_holds_no_code() -> None:
    assert "471108" not in read('operator_code = "env:CODE"').text


def test_a_certificate_with_its_key(tmp_path: Path) -> None:
    certificate, key = make_certificate(tmp_path, "bay.local")
    told = read(f'certificate_file = "{certificate}"\nkey_file = "{key}"').board
    assert (told.certificate_file, told.key_file) == (certificate, key)


def test_a_certificate_with_the_key_of_another(tmp_path: Path) -> None:
    """Told before anything is started, in words."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    certificate, _ = make_certificate(tmp_path / "one", "bay.local")
    _, key = make_certificate(tmp_path / "two", "bay.local")
    with pytest.raises(SettingsError, match=r"board\.certificate_file: .*key values mismatch"):
        read(f'certificate_file = "{certificate}"\nkey_file = "{key}"')


def test_a_key_with_a_password_asks_nobody(tmp_path: Path) -> None:
    """A daemon has no terminal to ask at."""
    certificate, key = make_certificate(tmp_path, "bay.local", password="none of yours")
    with pytest.raises(SettingsError, match=r"board\.certificate_file"):
        read(f'certificate_file = "{certificate}"\nkey_file = "{key}"')


def test_who_may_reach_the_board_judges_no_reading() -> None:
    """The digest names what the fold depends on; another code must not make the past be folded again."""
    assert read('operator_code = "env:CODE"').digest == loads(STATION, env=ENV).digest
