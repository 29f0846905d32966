"""What a configuration comes to mean."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from logger.core.decode import sma
from logger.core.decode.layout import LineFormat
from logger.core.decode.line import LineDecoder
from logger.core.decode.message import MessageFormat
from logger.core.description import (
    Channel,
    Container,
    ContainerKind,
    Feed,
    FeedKind,
    Water,
    ZeroTracking,
)
from logger.core.entries import Reading
from logger.ports.wire import check_url
from logger.settings import (
    Configuration,
    InstrumentSettings,
    MessageSource,
    Secret,
    SettingsError,
    StoreSettings,
    default_journal_directory,
    load,
    loads,
)
from logger.settings.wires import MODES
from logger.simulator.foundry import foundry_scenario
from logger.wiring import DIALECTS

CONFIG = Path(__file__).parents[2] / "config"
ENV = {"HOME": "/home/bay"}
SHORT = '[stations.t]\nresolution = "5 g"\ntarget = "45 kg/h"\noutlets = ["a", "b"]\n'
ONE = '[instruments.a]\nresolution = "5 g"\n[stations.t]\noutlets = ["a", "b"]\n'


def read(text: str, **env: str) -> Configuration:
    return loads(text, env=ENV | env)


OTHERS = {"grades.toml", "weigh-up.toml"}
"""What stands beside the configurations and is none."""


@pytest.mark.parametrize(
    "path", sorted(p for p in CONFIG.glob("*.toml") if p.name not in OTHERS), ids=lambda path: path.name
)
def test_every_configuration_that_comes_with_the_program_loads(path: Path) -> None:
    configuration = load(path, ENV)
    assert configuration.path == path
    assert configuration.text == path.read_text("utf-8")


def test_the_configurations_that_are_promised_are_there() -> None:
    names = {path.name for path in CONFIG.glob("*.toml")}
    assert names >= {"demo.toml", "one-scale.toml", "two-stations.toml", "short.toml"}


def test_the_short_form_implies_channels_and_a_hopper() -> None:
    bay = load(CONFIG / "short.toml", ENV).bay
    assert bay.channels == tuple(
        Channel(name, resolution_kg=0.005) for name in ("feed", "concentrate", "middlings", "tailings")
    )
    (station,) = bay.stations
    assert station.feed == Feed(FeedKind.HOPPER, "feed", 45.0)
    assert [outlet.channel for outlet in station.outlets] == ["concentrate", "middlings", "tailings"]


def test_without_a_target_the_feed_is_not_weighed() -> None:
    bay = read(SHORT.replace('target = "45 kg/h"\n', "")).bay
    assert bay.stations[0].feed == Feed()
    assert [channel.name for channel in bay.channels] == ["a", "b"]


def test_one_scale_and_nothing_else_weighed() -> None:
    configuration = load(CONFIG / "one-scale.toml", ENV)
    (station,) = configuration.bay.stations
    assert [outlet.channel for outlet in station.outlets] == ["concentrate", None, None]
    assert station.feed == Feed()
    assert len(configuration.instruments) == len(configuration.bay.channels) == 1


def test_the_demo_bay_means_what_it_says() -> None:
    configuration = load(CONFIG / "demo.toml", ENV)
    bay = configuration.bay
    assert (bay.name, bay.units, bay.time_zone) == ("Foundry bay", "kg", "Europe/Vienna")
    assert bay.shifts == ((360, 840), (840, 1320))
    (station,) = bay.stations
    assert station.feed == Feed(FeedKind.HOPPER, "feed", 60.0, 0.1, 3.0)
    assert (station.component, station.feed_grade, station.feed_grade_u) == ("bronze", 0.19, 0.02)
    assert [(outlet.name, outlet.channel) for outlet in station.outlets] == [
        ("concentrate", "concentrate"),
        ("middlings", "middlings"),
        ("tailings", "tailings"),
        ("fines", "fines"),
        ("spill-tray", None),
    ]
    assert station.outlets[0].container == Container(ContainerKind.DRAINS, 1.0, 0.8, 1.2, 12.0)
    assert station.water == (
        Water("wash", "wash-water", 12.0, 18.0),
        Water("feed-water", "feed-water", goes_to="feed"),
    )
    assert station.feed.most_solids == 0.35
    assert bay.channel("feed") == Channel(
        "feed", "mass", "kg", 0.01, 150.0, ZeroTracking.OFF, "gross", None, "feed"
    )
    assert bay.channel("wash-water") == Channel(
        "wash-water", "flow", "L/min", 0.1, interval_s=None, instrument="wash-water"
    )
    assert bay.channel("feed-water") == Channel(
        "feed-water", "flow", "L/min", 0.05, instrument="feed-water", accuracy=0.02
    )
    assert [i.port for i in configuration.instruments] == [f"demo:{c.name}" for c in bay.channels]


def test_the_demo_bays_expected_grades_balance() -> None:
    """What comes out, by the simulated shares, holds the bronze of the feed within half a percent."""
    (station,) = load(CONFIG / "demo.toml", ENV).bay.stations
    shares = [outlet.share for outlet in foundry_scenario().outlets]
    grades = [outlet.expected_grade or 0 for outlet in station.outlets]
    bronze = sum(s * g for s, g in zip(shares, grades, strict=True))
    assert bronze == pytest.approx(station.feed_grade, abs=0.005)


def test_the_demo_bay_is_described_as_it_is_simulated() -> None:
    bay = load(CONFIG / "demo.toml", ENV).bay
    (station,) = bay.stations
    simulated = foundry_scenario()
    scales = {place.name: place.scale for place in simulated.outlets if place.scale} | {
        "feed": simulated.feed.scale
    }
    assert {c.name: (c.resolution_kg, c.capacity_kg) for c in bay.channels if c.quantity == "mass"} == {
        name: (scale.resolution_kg, scale.capacity_kg) for name, scale in scales.items() if scale
    }
    told = [o for o in station.outlets if o.channel]
    vessels = [place.vessel for place in simulated.outlets if place.scale]
    for outlet, vessel in zip(told, vessels, strict=True):
        box = outlet.container
        assert (box.kind, box.full_kg) == (vessel.kind, vessel.full_kg)
        assert box.tare_low_kg is not None
        assert box.tare_high_kg is not None
        assert box.tare_low_kg <= vessel.tare_low_kg + vessel.fill_water_kg
        assert box.tare_high_kg >= vessel.tare_high_kg + vessel.fill_water_kg
    assert [o.solids_density for o in told] == [p.density for p in simulated.outlets if p.scale]
    assert simulated.feed.target_kg_h == station.feed.target_kg_h


def test_the_demos_meter_and_printing_scale_are_read() -> None:
    """Lines as the simulated instruments send them."""
    lines = {i.name: i.line for i in load(CONFIG / "demo.toml", ENV).instruments if i.line is not None}
    sent = {
        "middlings": b"ST,GS,+   1.234 kg\r\n",
        "wash-water": b"FLOW   14.10 L/min\r\n",
        "feed-water": b"FLOW    2.60 L/min\r\n",
    }
    read_off = {}
    for name, line in lines.items():
        (reading,) = LineDecoder(name, line).feed(sent[name], 1)
        assert isinstance(reading, Reading)
        read_off[name] = (reading.number, reading.exp, reading.unit, reading.stable, reading.mode)
    assert read_off == {
        "middlings": (1234, -3, "kg", True, "gross"),
        "wash-water": (1410, -2, "L/min", None, ""),
        "feed-water": (260, -2, "L/min", None, ""),
    }


METER = """
[stations.t]
outlets = ["a"]
resolution = "5 g"
[stations.t.water.wash]
meter = "w"
[instruments.a]
[instruments.w]
quantity = "flow"
"""


def test_the_plate_of_a_scale_means_what_it_says() -> None:
    told = 'class = "III"\nverification_interval = "10 g"\ntolerance = "8 g"\nrepeatability = "2 g"\n'
    text = '[stations.t]\noutlets = ["a", "b"]\n[instruments.b]\nresolution = "5 g"\n'
    text += f'[instruments.a]\nresolution = "5 g"\n{told}'
    channel = read(text).bay.channel("a")
    assert (channel.accuracy_class, channel.verification_interval_kg) == ("III", 0.01)
    assert (channel.tolerance_kg, channel.repeatability_kg) == (0.008, 0.002)


def test_a_pulse_counter_means_what_it_says() -> None:
    told = 'unit = "pulse"\npulses_per_l = 450\nwraps_at = 65536\nmost = "10 gal/min"\naccuracy = "1.5 %"\n'
    assert read(METER + told).bay.channel("w") == Channel(
        "w", "flow", "pulse", 0.0, interval_s=0.2, instrument="w", pulses_per_l=450.0, wraps_at=65536,
        most_l_min=37.85411784, accuracy=0.015,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("told", "unit", "resolution"),
    [
        ('unit = "m3"', "m3", 0.0),
        ('unit = "gal"\nresolution = "10 gal"', "gal", 37.85411784),
        ('unit = "L/min"\nresolution = "0.1 L/min"', "L/min", 0.1),
    ],
)
def test_a_total_needs_no_resolution_and_a_flow_does(told: str, unit: str, resolution: float) -> None:
    channel = read(METER + told + "\n").bay.channel("w")
    assert (channel.unit, channel.resolution_kg) == (unit, pytest.approx(resolution))


def test_two_stations_in_pounds() -> None:
    bay = load(CONFIG / "two-stations.toml", ENV).bay
    rougher, cleaner = bay.stations
    assert bay.units == "lb"
    assert bay.shifts == ((420, 930), (1320, 360))
    assert rougher.feed.target_kg_h == pytest.approx(130 * 0.45359237, rel=1e-15)
    assert cleaner.feed.kind is FeedKind.TUB
    assert rougher.outlets[2].container == Container(
        ContainerKind.RETAINS,
        pytest.approx(2.2 * 0.45359237),
        pytest.approx(2.0 * 0.45359237),
        pytest.approx(2.6 * 0.45359237),
        pytest.approx(45 * 0.45359237),
    )
    assert "bench" in {channel.name for channel in bay.channels}


def test_an_instrument_is_reached_and_asked_as_told() -> None:
    text = """[instruments.a]
port = "/dev/ttyUSB0"
dialect = "line"
mode = "poll"
interval = "500 ms"
timeout = "2 s"
baud = 4800
format = "7e1"
resolution = "5 g"
unit = "kg"
[instruments.a.line]
layout = "{status} {number}"
words = { S = "stable" }
end = "CR"
request = "W\\r"
decimal = ","
[stations.t]
outlets = ["a"]
"""
    line = LineFormat("{status} {number}", {"S": "stable"}, "kg", "CR", "W\r", ",")
    assert read(text).instruments == (
        InstrumentSettings("a", "/dev/ttyUSB0", "line", "poll", 0.5, 2.0, 4800, 7, "E", 1.0, line),
    )


def test_what_an_instrument_leaves_out_has_its_default() -> None:
    assert read(ONE).instruments == (InstrumentSettings("a", None),)


@pytest.mark.parametrize(
    ("lines", "interval_s"),
    [
        ('mode = "poll"', 0.2),
        ('mode = "poll"\ninterval = "1 s"', 1.0),
        ('mode = "repeat"', None),
        ('mode = "repeat"\ninterval = "110 ms"', 0.11),
        ('mode = "stable"', None),
    ],
)
def test_the_time_between_readings_is_learned_where_the_program_does_not_set_it(
    lines: str, interval_s: float | None
) -> None:
    text = ONE.replace("[stations.t]", f"{lines}\n[stations.t]")
    assert read(text).bay.channel("a").interval_s == interval_s


def test_an_outlets_own_container_goes_before_the_stations() -> None:
    text = """[stations.t]
resolution = "5 g"
density = "2.7 g/cm3"
container = { kind = "drains", tare = "1 kg", tare_range = "0.9 to 1.1 kg", full = "20 kg" }
[stations.t.outlets]
a = {}
b = { density = "8 g/cm3", container = { kind = "retains", full = "15 kg" } }
"""
    (station,) = read(text).bay.stations
    a, b = station.outlets
    assert a.container == Container(ContainerKind.DRAINS, 1.0, 0.9, 1.1, 20.0)
    assert b.container == Container(ContainerKind.RETAINS, 1.0, 0.9, 1.1, 15.0)
    assert (a.solids_density, b.solids_density, station.feed.solids_density) == (2.7, 8.0, 2.7)


def test_a_container_whose_kind_is_not_told_is_allowed() -> None:
    assert read(SHORT).bay.stations[0].outlets[0].container == Container()


def test_a_stations_resolution_serves_scales_that_tell_none() -> None:
    text = ONE.replace('resolution = "5 g"\n', "").replace("outlets", 'resolution = "20 g"\noutlets')
    assert read(text).bay.channel("a").resolution_kg == 0.02


def test_two_stations_may_use_one_scale() -> None:
    bay = read(ONE + '[stations.u]\noutlets = ["a"]\n').bay
    assert [station.outlets[0].channel for station in bay.stations] == ["a", "a"]
    assert len(bay.channels) == 1


@pytest.mark.parametrize("scale", ["false", '"none"'])
def test_an_outlet_can_be_told_not_to_be_weighed(scale: str) -> None:
    bay = read(f'[stations.t]\nresolution = "5 g"\noutlets = {{ a = {{ scale = {scale} }}, b = {{}} }}\n').bay
    assert [outlet.channel for outlet in bay.stations[0].outlets] == [None, "b"]


def test_a_feed_table_implies_the_instrument_called_feed() -> None:
    text = '[instruments.feed]\nresolution = "20 g"\n' + ONE + 'feed.kind = "tub"\n'
    assert read(text).bay.stations[0].feed == Feed(FeedKind.TUB, "feed")


def test_an_instrument_called_feed_is_under_the_feed() -> None:
    assert read('[instruments.feed]\nresolution = "20 g"\n' + ONE).bay.stations[0].feed == Feed(
        FeedKind.HOPPER, "feed"
    )


def test_an_unweighed_feed_may_have_a_target() -> None:
    feed = read(ONE + 'target = "45 kg/h"\nfeed.kind = "unweighed"\n').bay.stations[0].feed
    assert feed == Feed(FeedKind.UNWEIGHED, None, 45.0)


def test_a_water_line_without_meter_table_uses_its_own_name() -> None:
    bay = read(SHORT + 'water.wash.band = "14 to 20 L/min"\n').bay
    assert bay.stations[0].water == (Water("wash", "wash", 14.0, 20.0),)
    assert bay.channel("wash").quantity == "flow"


def test_shifts_may_meet_and_go_over_midnight() -> None:
    text = '[bay]\nshifts = ["22:00-06:00", "06:00-14:00", "14:00 - 22:00"]\n' + SHORT
    assert read(text).bay.shifts == ((1320, 360), (360, 840), (840, 1320))


def test_a_shift_may_last_all_day() -> None:
    assert read('[bay]\nshifts = ["00:00-24:00"]\n' + SHORT).bay.shifts == ((0, 1440),)


@pytest.mark.parametrize(("port", "unwired"), [("/dev/ttyS0", ("a",)), ("demo:b", ("a", "b"))])
def test_channels_that_no_wire_brings_are_named(port: str, unwired: tuple[str, ...]) -> None:
    other = f'[instruments.b]\nresolution = "5 g"\nport = "{port}"\n'
    assert read(ONE.replace("[stations.t]", f"{other}[stations.t]")).unwired == unwired


def test_a_short_configuration_has_no_wires() -> None:
    assert read(SHORT).unwired == ("feed", "a", "b")


def test_a_file_from_another_system_is_read_alike(tmp_path: Path) -> None:
    """A mark before the text and CR LF at the ends of lines, as some editors write them."""
    (tmp_path / "bay.toml").write_bytes(b"\xef\xbb\xbf" + ONE.replace("\n", "\r\n").encode())
    assert load(tmp_path / "bay.toml", ENV).bay == read(ONE).bay


def test_a_fault_in_a_file_with_other_line_ends_has_its_line(tmp_path: Path) -> None:
    text = '# "one"\r\n[stations.t]\r\nresolution = 5\r\noutlets = [\r\n  "a",\r\n]\r\n'
    (tmp_path / "bay.toml").write_bytes(text.encode())
    with pytest.raises(SettingsError, match=r"bay\.toml:3: stations\.t\.resolution: found 5"):
        load(tmp_path / "bay.toml", ENV)


# ---- digest


def test_a_digest_follows_the_meaning_and_not_the_writing() -> None:
    pounds = SHORT.replace("45 kg/h", "100 lb/h")
    same = "# noted\n" + SHORT.replace("45 kg/h", "45.359237 kg/h").replace('"5 g"', '"0.005 kg"')
    assert read(pounds).digest == read(same).digest
    assert len(read(pounds).digest) == 64


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"5 g"', '"6 g"'),
        ('"a", "b"', '"b", "a"'),
        ("45 kg/h", "46 kg/h"),
        ("[stations.t]", '[bay]\ntime_zone = "Asia/Tokyo"\n[stations.t]'),
        ("outlets", 'component = "bronze"\noutlets'),
    ],
)
def test_a_digest_changes_with_the_meaning(old: str, new: str) -> None:
    assert old in SHORT
    assert read(SHORT.replace(old, new)).digest != read(SHORT).digest


def test_a_digest_covers_how_lines_are_read() -> None:
    text = ONE.replace(
        "[stations.t]", 'dialect = "line"\nunit = "kg"\nline.layout = "{number}"\n[stations.t]'
    )
    assert read(text).digest != read(text.replace("{number}", "{number:8}")).digest


def test_board_and_journal_do_not_change_the_digest() -> None:
    other = SHORT + '[board]\nport = 9000\n[journal]\ndirectory = "/srv/tallydeck"\n'
    assert read(other).digest == read(SHORT).digest
    assert (read(other).board_port, read(other).journal_directory) == (9000, Path("/srv/tallydeck"))


# ---- the journal's folder


@pytest.mark.parametrize(
    ("env", "folder"),
    [
        ({"HOME": "/h"}, "/h/.local/state/tallydeck"),
        ({"HOME": "/h", "XDG_STATE_HOME": "/x"}, "/x/tallydeck"),
        ({"HOME": "/h", "XDG_STATE_HOME": "relative"}, "/h/.local/state/tallydeck"),
        (
            {"HOME": "/h", "XDG_STATE_HOME": "/x", "STATE_DIRECTORY": "/var/lib/tallydeck"},
            "/var/lib/tallydeck",
        ),
        ({"STATE_DIRECTORY": "/var/lib/a:/var/lib/b"}, "/var/lib/a"),
    ],
)
def test_the_record_goes_where_the_system_keeps_state(env: dict[str, str], folder: str) -> None:
    """XDG base directory specification 0.8; systemd.exec(5) STATE_DIRECTORY, names separated by colons."""
    assert loads(SHORT, env=env).journal_directory == Path(folder)


def test_without_any_place_for_the_record_that_is_told() -> None:
    with pytest.raises(SettingsError, match="no folder for the record, and no HOME to put it under"):
        loads(SHORT, env={})


def test_the_records_usual_place_can_be_asked_for_without_a_configuration() -> None:
    assert default_journal_directory({"HOME": "/h"}) == Path("/h/.local/state/tallydeck")
    assert default_journal_directory({}) is None


def test_a_folder_told_goes_before_all_others() -> None:
    configuration = read(SHORT + '[journal]\ndirectory = "~/record"\n', STATE_DIRECTORY="/var/lib/tallydeck")
    assert configuration.journal_directory == Path("/home/bay/record")


# ---- secrets

TOKEN = "0123-do-not-show-4567"


@pytest.mark.parametrize(
    "told", [f'"{TOKEN}"', f"'{TOKEN}'", '"\\u0030123-do-not-show-4567"', f'"""{TOKEN}"""']
)
def test_a_secret_in_the_file_is_masked_in_the_text(told: str) -> None:
    configuration = read(SHORT + f"# {TOKEN}\n[board]\ntoken = {told} # kept\nport = 1\n")
    assert configuration.board_token == Secret(TOKEN)
    assert configuration.text == SHORT + '# ********\n[board]\ntoken = "********" # kept\nport = 1\n'
    assert "do-not-show" not in f"{configuration} {configuration!r}"


def test_a_secret_from_the_environment() -> None:
    configuration = read(SHORT + '[board]\ntoken = "env:BOARD_TOKEN"\n', BOARD_TOKEN=TOKEN)
    assert configuration.board_token == Secret(TOKEN)
    assert 'token = "env:BOARD_TOKEN"' in configuration.text
    assert "do-not-show" not in repr(configuration)


def test_a_secret_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "token").write_text(TOKEN + "\n")
    configuration = read(SHORT + f'[board]\ntoken = "file:{tmp_path}/token"\n')
    assert configuration.board_token == Secret(TOKEN)


def test_a_secret_shows_itself_to_nobody_but_who_asks() -> None:
    secret = Secret(TOKEN)
    assert secret.reveal() == TOKEN
    assert [str(secret), repr(secret), f"{secret}"] == ["********", "Secret('********')", "********"]
    with pytest.raises(TypeError):
        pickle.dumps(secret)


def test_equal_secrets_are_equal_and_others_are_not() -> None:
    assert len({Secret(TOKEN), Secret(TOKEN), Secret(TOKEN + "x")}) == 2


# ---- wires


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0",
        "/dev/serial/by-id/usb-a_b-if00-port0",
        "socket://192.168.1.20:4001",
        "socket://[fe80::1]:1",
    ],
)
def test_a_port_that_is_allowed_is_one_that_can_be_opened(port: str) -> None:
    (instrument,) = read(ONE.replace("[stations.t]", f'port = "{port}"\n[stations.t]')).instruments
    assert instrument.port == port
    check_url(port)  # raises ValueError for what it cannot open


def test_every_dialect_and_mode_that_is_allowed_can_be_asked() -> None:
    """The settings' table of modes against the decoders': none is allowed that the wire does not know."""
    asked = [sma.exchange(mode) for mode in MODES["sma"]]
    assert all(exchange.start or exchange.poll for exchange in asked)
    assert set(MODES) == {*DIALECTS, "mqtt", "modbus"}  # whose ports are made otherwise


MQTT = """
[bay]
name = "Foundry bay, two tables"
[instruments.a]
resolution = "5 g"
dialect = "mqtt"
unit = "kg"
mqtt = { topic = "bay/scales", value = "weight.net", stable = "at_rest" }
[instruments.b]
resolution = "5 g"
dialect = "mqtt"
mqtt = { topic = "bay/scales", value = "scales.0.net", unit = "scales.0.unit" }
[stations.t]
outlets = ["a", "b"]
[mqtt]
host = "broker"
user = "bay"
password = "env:BROKER_PASSWORD"
"""


def test_a_broker_is_reached_by_the_usual_port_and_names_unless_they_are_told() -> None:
    env = {"HOME": "/home/bay", "BROKER_PASSWORD": "short"}
    plain = loads(MQTT, env=env).mqtt
    assert plain is not None
    assert (plain.host, plain.port, plain.tls, plain.actions) == ("broker", 1883, False, False)
    assert plain.client_id == "tallydeck-foundry-bay-two-tables"
    assert plain.topic == "tallydeck/foundry-bay-two-tables"
    assert plain.password is not None
    assert plain.password.reveal() == "short"
    assert "short" not in repr(plain)
    told = loads(MQTT + 'tls = true\nca_file = "/ca.pem"\ntopic = "bay/"\nactions = true\n', env=env).mqtt
    assert told is not None
    assert (told.port, told.ca_file, told.topic, told.actions) == (8883, Path("/ca.pem"), "bay", True)


def test_a_broker_may_ask_for_a_certificate_of_ours() -> None:
    env = {"HOME": "/home/bay", "BROKER_PASSWORD": "short"}
    plain = loads(MQTT, env=env).mqtt
    assert plain is not None
    assert (plain.publish, plain.certificate_file, plain.key_file) == (True, None, None)
    files = 'tls = true\ncertificate_file = "/c.pem"\nkey_file = "/k.pem"\npublish = false\n'
    told = loads(MQTT + files, env=env).mqtt
    assert told is not None
    assert (told.publish, told.certificate_file, told.key_file) == (False, Path("/c.pem"), Path("/k.pem"))


def test_a_store_is_told_by_its_address_and_what_else_it_asks_for() -> None:
    assert loads(ONE, env=ENV).store is None
    plain = loads(ONE + '[store]\nurl = "http://store:8086/"\n', env=ENV).store
    assert plain == StoreSettings("http://store:8086", "", "tallydeck", None, None, "", 100_000)
    lines = 'url = "https://store"\norg = "bay"\nbucket = "b"\ntoken = "env:T"\nca_file = "/ca.pem"\n'
    told = loads(ONE + "[store]\n" + lines + 'retract = "mark"\n', env=ENV | {"T": "sesame"}).store
    assert told is not None
    assert (told.org, told.bucket, told.ca_file, told.retract) == ("bay", "b", Path("/ca.pem"), "mark")
    assert told.token is not None
    assert told.token.reveal() == "sesame"
    assert "sesame" not in repr(told)


def test_a_store_does_not_change_what_readings_mean() -> None:
    """So a checkpoint is good still when the store moves to another address."""
    assert loads(ONE, env=ENV).digest == loads(ONE + '[store]\nurl = "http://store"\n', env=ENV).digest


def test_two_instruments_may_share_a_topic_with_fields_of_their_own() -> None:
    configuration = loads(MQTT, env={"HOME": "/home/bay", "BROKER_PASSWORD": "short"})
    a, b = (each.mqtt for each in configuration.instruments)
    assert a is not None
    assert b is not None
    assert (a.topic, b.topic) == ("bay/scales", "bay/scales")
    assert a.form == MessageFormat(("weight", "net"), "kg", (), ("at_rest",))
    assert b.form == MessageFormat(("scales", "0", "net"), None, ("scales", "0", "unit"))
    assert configuration.unwired == ()


def test_a_bay_that_asks_for_no_broker_has_none() -> None:
    assert loads(ONE, env=ENV).mqtt is None


def test_the_example_of_mqtt_in_comments_is_right_when_it_is_taken_out_of_them() -> None:
    text = (CONFIG / "two-stations.toml").read_text("utf-8")
    head, _, rest = text.partition("# A scale whose readings a gateway publishes by MQTT.")
    example, mark, tail = rest.partition(
        "# ---------------------------------------------------------------- the rougher"
    )
    taken = "".join(line.removeprefix("# ") for line in example.splitlines(True)[3:]).replace("#\n", "\n")
    other = head[: head.index("[instruments.bench]")]
    bay = loads(other + taken + mark + tail, env={"HOME": "/home/bay", "BROKER_PASSWORD": "hush"})
    (bench,) = (each for each in bay.instruments if each.name == "bench")
    assert bench.mqtt == MessageSource("bay/bench", MessageFormat(("weight", "net"), "lb", (), ("still",)))
    assert bay.mqtt is not None
    assert bay.mqtt.user == "bay"


def test_outlets_on_one_scale_are_one_outlet_to_the_bay() -> None:
    text = """
    [instruments.platform]
    resolution = "5 g"
    [stations.t]
    component = "bronze"
    feed.kind = "unweighed"
    container = { kind = "drains", tare = "1 kg" }
    [stations.t.outlets.a]
    scale = "platform"
    expected_share = "20 %"
    expected_grade = "90 %"
    [stations.t.outlets.b]
    scale = "platform"
    expected_share = "60 %"
    expected_grade = "10 %"
    [stations.t.outlets.c]
    scale = false
    """
    one, other = loads(text).bay.stations[0].outlets
    assert (one.name, one.channel, one.members) == ("a + b", "platform", ("a", "b"))
    assert one.container.tare_kg == 2.0
    assert one.expected_share == pytest.approx(0.8)
    assert one.expected_grade == pytest.approx(0.3)  # (0.2 * 0.9 + 0.6 * 0.1) / 0.8
    assert other.name == "c"
