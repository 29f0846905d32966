"""Product that surges, or goes into a neighbour."""

from __future__ import annotations

import pytest

from logger.core.description import Container, ContainerKind, FeedKind
from logger.core.rules.book import station_rules
from logger.core.rules.contract import Judgement
from logger.core.rules.notice import evidence
from logger.core.rules.product_astray import conserved
from logger.core.rules.surplus import surplus_nats
from logger.core.track.view import TrackState
from tests.core.rules.fakes import KG_H, T0, Play

SURGE, ASTRAY = "outlet-surging", "product-astray"
DRY = (Container(ContainerKind.BRIM_FULL),) * 4


def played(play: Play, seconds: int) -> Play:
    play.run(station_rules(play.station, play.expected), seconds)
    return play


def first(play: Play, kind: str) -> tuple[int, Judgement]:
    """The one alarm of a kind: it stands and is told anew, but is not raised twice."""
    said = [(s, j) for s, j in play.said if j.kind == kind and not j.suppressed]
    turns = [j.active for _, j in said]
    assert turns == sorted(turns, reverse=True), "it was raised twice"
    return said[0]


def ended(play: Play, kind: str) -> Judgement:
    (last,) = [j for _, j in play.said if j.kind == kind and not j.active]
    return last


def crossing(part: float, start: int = 900, end: int = 1200):  # type: ignore[no-untyped-def]
    """Outlet 2 (18 kg/h) stops and ``part`` of it goes into outlet 3 (24 kg/h)."""

    def open_part(outlet: int, s: int) -> float:
        if not start <= s < end:
            return 1.0
        return {2: 0.0, 3: 1.0 + 0.75 * part}.get(outlet, 1.0)

    return open_part


# -- how odd a surplus is ------------------------------------------------------------------------------


def test_no_surplus_is_no_evidence() -> None:
    assert surplus_nats(1e5, 1e5, 1e6, 1e4) == 0.0
    assert surplus_nats(1e5, 0.5e5, 1e6, 1e4) == 0.0


@pytest.mark.parametrize("times", [1.5, 3.0, 10.0])
def test_without_noise_and_wander_it_is_chernoffs_bound_in_closed_form(times: float) -> None:
    """(2 / phi) (sqrt D - sqrt A)^2, the upper tail of a compound Poisson with exponential lumps."""
    a, phi = 2e5, 1e4
    exact = 2.0 / phi * ((times * a) ** 0.5 - a**0.5) ** 2
    assert surplus_nats(a, times * a, 0.0, phi) == pytest.approx(exact, rel=1e-6)


def test_with_noise_alone_it_is_the_gaussian_exponent() -> None:
    """(D - A)^2 / 2 V, as of any Gaussian (JCGM 101)."""
    assert surplus_nats(1e6, 1.2e6, 1e10, 1.0) == pytest.approx(0.2e6**2 / 2e10, rel=1e-3)


def test_a_surplus_is_never_surer_than_chance_allows() -> None:
    """Monte Carlo: of 20,000 seconds of lumps, no more than exp(-nats) lie so high."""
    play = Play(lump_mg=5_000.0, seed=7)
    masses = sorted(play._lumps(20_000.0) for _ in range(20_000))
    for rank in (0.9, 0.99, 0.999):
        seen = masses[int(rank * len(masses))]
        chance = 2.718281828 ** -surplus_nats(20_000.0, seen, 0.0, 10_000.0)
        assert 1.0 - rank <= chance


def test_a_surplus_and_a_shortfall_of_little_weigh_alike() -> None:
    """To second order the two tails are the same Gaussian."""
    above = surplus_nats(1e7, 1.05e7, 1e8, 1e4, 0.02)
    below = evidence(1e7, 0.95e7, 1e8, 1e4, 0.02)
    assert above == pytest.approx(below, rel=0.1)


# -- surges ---------------------------------------------------------------------------------------------


def let_go(mass_mg: float, at: int = 900, over_s: int = 8, outlet: int = 2):  # type: ignore[no-untyped-def]
    """So much more than its share in so many seconds."""

    def open_part(number: int, s: int) -> float:
        due = 60.0 * KG_H * (0.1, 0.2, 0.3, 0.4)[number]
        return 1.0 + mass_mg / over_s / due if number == outlet and at <= s < at + over_s else 1.0

    return open_part


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_bank_that_slides_is_told_with_its_mass(seed: int) -> None:
    play = played(Play(open_part=let_go(1.2e6), containers=DRY, seed=seed), 960)
    second, raised = first(play, SURGE)
    assert 902 <= second <= 912
    assert raised.subject == "outlet2"
    assert ended(play, SURGE).evidence["came_kg"] == pytest.approx(1.3, abs=0.3)


@pytest.mark.parametrize("mass_mg", [50_000.0, 90_000.0])
def test_a_wad_is_no_surge(mass_mg: float) -> None:
    assert played(Play(open_part=let_go(mass_mg, over_s=2)), 1000).raised(SURGE) == []


def test_lumps_and_wandering_shares_are_no_surge() -> None:
    play = Play(lump_mg=15_000.0, seed=5, open_part=lambda k, s: 1.3 if (s // 60 + k) % 4 == 0 else 1.0)
    assert played(play, 3600).raised(SURGE) == []


def test_a_feed_that_surges_blames_no_outlet() -> None:
    play = Play(feed_kg_h=lambda s: 0.0 if s < 30 else 400.0 if 900 <= s < 915 else 60.0)
    assert played(play, 1200).raised(SURGE) == []


def test_where_the_feed_is_not_weighed_a_surge_of_everything_is_suppressed() -> None:
    play = Play(
        feed_kind=FeedKind.UNWEIGHED,
        feed_kg_h=lambda s: 0.0 if s < 30 else 900.0 if 900 <= s < 915 else 60.0,
    )
    played(play, 1200)
    assert play.raised(SURGE) == []
    assert [j.evidence["suppressed_by"] for _, j in play.said if j.kind == SURGE and j.suppressed]


def plug(back: float):  # type: ignore[no-untyped-def]
    """Outlet 2 is plugged for two minutes, then ``back`` times what was missing comes in 10 s."""

    def open_part(number: int, s: int) -> float:
        if number != 2:
            return 1.0
        return 0.0 if 900 <= s < 1020 else 1.0 + 12.0 * back if 1020 <= s < 1030 else 1.0

    return open_part


def test_what_was_missing_and_is_little_comes_without_alarm() -> None:
    assert played(Play(open_part=plug(0.8), containers=DRY), 1300).raised(SURGE) == []


def test_more_than_was_missing_is_an_alarm_that_says_how_much_more() -> None:
    """0.6 kg was missing; 1.8 kg come."""
    play = played(Play(open_part=plug(3.0), containers=DRY), 1300)
    second, raised = first(play, SURGE)
    assert 1020 < second <= 1035
    assert raised.evidence["missing_before_kg"] == pytest.approx(0.6, abs=0.1)
    last = ended(play, SURGE)
    assert "more than had been missing" in last.what
    assert last.evidence["more_than_missing_kg"] == pytest.approx(1.2, abs=0.4)


def test_a_container_that_fills_at_once_is_an_alarm_though_all_of_it_was_missing() -> None:
    def open_part(number: int, s: int) -> float:
        if number != 2:
            return 1.0
        return 0.0 if 900 <= s < 1200 else 25.0 if 1200 <= s < 1211 else 1.0

    play = played(Play(open_part=open_part, containers=DRY), 1400)
    _, raised = first(play, SURGE)
    assert "As much had been missing" in raised.what


def test_water_in_a_draining_container_is_not_taken_for_more_than_was_missing() -> None:
    assert played(Play(open_part=plug(1.1)), 1300).raised(SURGE) == []


# -- astray ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_product_that_crosses_is_told_from_where_to_where_and_how_much(seed: int) -> None:
    """18 kg/h for 300 s are 1.5 kg."""
    play = played(Play(open_part=crossing(1.0), seed=seed), 1400)
    second, raised = first(play, ASTRAY)
    assert 910 < second <= 1000
    assert (raised.subject, raised.evidence["from"]) == ("outlet2", "outlet2")
    evidence_ = ended(play, ASTRAY).evidence
    assert evidence_["u_kg"] < 0.35
    assert evidence_["astray_kg"] == pytest.approx(1.5, abs=2.5 * evidence_["u_kg"])
    assert evidence_["to_outlet3_kg"] == evidence_["astray_kg"]


def test_the_mass_is_told_on_and_on_while_it_lasts() -> None:
    play = played(Play(open_part=crossing(1.0)), 1150)
    told = [j.evidence["astray_kg"] for _, j in play.said if j.kind == ASTRAY and j.active]
    assert len(told) > 10
    assert told[-1] > 3.0 * told[0]


def test_a_plug_that_holds_all_back_sends_nothing_astray() -> None:
    assert played(Play(open_part=crossing(0.0)), 1400).raised(ASTRAY) == []


def test_a_half_plugged_outlet_is_told_by_both_together_before_its_own_alarm() -> None:
    """Two fifths of outlet 2 go into outlet 1 for good: its own alarm comes later, if at all."""

    def open_part(outlet: int, s: int) -> float:
        return 1.0 if s < 1300 else {2: 0.6, 1: 1.0 + 0.4 * 1.5}.get(outlet, 1.0)

    play = Play(open_part=open_part, lump_mg=1_000.0)
    played(play, 2000)
    assert {j.subject for _, j in play.raised(ASTRAY)} == {"outlet2"}
    first_alarm = play.said[0][1]
    assert (first_alarm.kind, first_alarm.subject) == (ASTRAY, "outlet2")


def test_a_surplus_without_a_shortfall_is_not_astray() -> None:
    play = Play(open_part=lambda k, s: 1.6 if k == 3 and s >= 900 else 1.0)
    assert played(play, 1500).raised(ASTRAY) == []


def test_more_than_what_is_missing_did_not_come_from_there() -> None:
    """Outlet 2 lacks 18 kg/h, outlet 3 gains 60: something else happens."""
    play = Play(open_part=lambda k, s: {2: 0.0, 3: 3.5}.get(k, 1.0) if s >= 900 else 1.0)
    assert played(play, 1300).raised(ASTRAY) == []


@pytest.mark.parametrize("state", [TrackState.OFF, TrackState.DISTURBED, TrackState.SILENT])
def test_a_scale_that_is_not_steady_is_no_witness(state: TrackState) -> None:
    def spoil(s: int, play: Play) -> None:
        if s >= 900:
            play.tracks["outlet3"].view.state = state
            play.tracks["outlet3"].view.changed_s = T0 + s

    assert played(Play(open_part=crossing(1.0), spoil=spoil), 1150).raised(ASTRAY) == []


def test_the_end_of_the_run_says_how_much_it_was() -> None:
    play = Play(open_part=crossing(1.0))
    rules = station_rules(play.station, play.expected)
    play.run(rules, 1100)
    play.now.run_since_s = None
    play.run(rules, 10)
    assert ended(play, ASTRAY).evidence["astray_kg"] == pytest.approx(1.0, abs=0.3)


def test_less_gained_than_missing_is_left_as_it_is() -> None:
    masses, total, u = conserved((1e6, 1e5), [(4e5, 3e4), (3e5, 4e4)])
    assert (masses, total) == ([4e5, 3e5], 7e5)
    assert u == pytest.approx(5e4)


def test_more_gained_than_missing_is_the_weighted_mean_of_both() -> None:
    """Two measurements of one mass, alike in uncertainty: their mean, and 1/sqrt(2) of it."""
    masses, total, u = conserved((1.0e6, 1e5), [(1.2e6, 1e5)])
    assert total == pytest.approx(1.1e6)
    assert masses == [pytest.approx(1.1e6)]
    assert u == pytest.approx(1e5 / 2**0.5)


def test_reconciled_masses_are_those_of_the_matrix_formula() -> None:
    """y - V A'(A V A')^-1 A y, worked for 1 = 2 + 3 (Narasimhan & Jordache 2000): the same figures.

    On the published splitter itself (Rao & Narasimhan 1996) the whole is more than its parts, which here
    means that the rest stands behind the plug; so the parts are made larger.
    """
    whole, parts = (9.22, 0.2766), [(6.0, 0.1449), (4.0, 0.0966)]
    masses, total, _ = conserved(whole, parts)
    v = [0.2766**2, 0.1449**2, 0.0966**2]
    r = 9.22 - 10.0  # A y of the balance 1 - 2 - 3 = 0
    by_matrix = [9.22 - v[0] * r / sum(v), 6.0 + v[1] * r / sum(v), 4.0 + v[2] * r / sum(v)]
    assert [total, *masses] == pytest.approx(by_matrix, rel=1e-9)


def test_the_mass_in_a_container_that_keeps_water_is_less_sure() -> None:
    kinds = (Container(), Container(), Container(), Container(ContainerKind.RETAINS))
    dry = ended(played(Play(open_part=crossing(0.9)), 1400), ASTRAY).evidence
    wet = ended(played(Play(open_part=crossing(0.9), containers=kinds), 1400), ASTRAY).evidence
    assert wet["u_kg"] > dry["u_kg"]
    assert wet["astray_kg"] < dry["astray_kg"]
