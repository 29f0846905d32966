"""From the books to a weigh-up: which streams, which measurements, and what is said of what is missing."""

from __future__ import annotations

from typing import Any

import pytest

from logger.balance.document import Moisture, WeighUp
from logger.balance.faults import check
from logger.balance.gather import of_lot, of_run
from logger.balance.material import mean_moisture
from logger.balance.network import network
from logger.balance.weighup import weigh_up
from logger.core.books import Sample
from logger.settings import loads
from tests.core.test_books import MIN, T0, Clerk

BAY = loads("""
[instruments.feed]
resolution = "10 g"
[instruments.tailings]
resolution = "5 g"
class = "III"
verification_interval = "10 g"
tolerance = "8 g"
[instruments.bench]
resolution = "2 g"
[stations.table]
target = "36 kg/h"
component = "bronze"
[stations.table.feed]
scale = "feed"
[stations.table.outlets.tailings]
[stations.table.outlets.concentrate]
scale = false
""").bay
ASSAY = {"bronze": 0.8, "slag": 0.12}


class Office:
    """Books of one lot and its run, which has ended, and tallies as the bay would give them."""

    def __init__(self, **lot: Any) -> None:
        self.clerk = Clerk()
        self.clerk.say(0, "open-lot", lot="L1", material="floor sweepings", **lot)
        self.tallies: dict[str, dict[str, Any]] = {}
        self.run(1, 10, lot="L1")

    def run(self, start: float, end: float | None, **fields: Any) -> str:
        self.clerk.say(start, "start-run", **fields)
        if end is not None:
            self.clerk.say(end, "end-run")
        name = list(self.clerk.books.runs)[-1]
        told = self.clerk.run(name)
        span = {"start": told["start"], "end": told["end"] or told["start"], "taken": "now"}
        self.tallies[name] = span | {
            "feed_kg": 30.0,
            "feed_u_kg": 0.02,
            "hold_up_kg": None,
            "hold_up": None,
            "hold_up_how": "not known",
            "outlets": {"tailings": outlet("tailings", 20.0), "concentrate": outlet("concentrate", None)},
        }
        return name

    def say(self, action: str, **fields: Any) -> None:
        self.clerk.say(20 + self.clerk.seq, action, **fields)

    def take(self, outlet: str, sample: str, minute: float = 5) -> None:
        self.clerk.seq += 1
        at_ns = T0 + round(minute * MIN)
        self.clerk.books.add_sample(Sample(at_ns, "table", outlet, sample, 0.1, 0.001, self.clerk.seq))

    def tell(self, run: str = "run-1", **fields: Any) -> None:
        self.tallies[run] |= fields

    def tailings(self, run: str = "run-1", **fields: Any) -> None:
        self.tallies[run]["outlets"]["tailings"] |= fields

    def of_run(self, run: str = "run-1", **more: Any) -> WeighUp:
        lot = self.clerk.books.lot_json(self.clerk.books.lots["L1"])
        return sound(of_run(BAY, self.clerk.run(run), self.tallies[run], lot=lot, **more))

    def of_lot(self) -> WeighUp:
        lot = self.clerk.books.lot_json(self.clerk.books.lots["L1"])
        runs = [self.clerk.run(name) for name in self.clerk.books.runs]
        return sound(of_lot(BAY, lot, runs, self.tallies))


def outlet(name: str, kg: float | None, **more: Any) -> dict[str, Any]:
    """An outlet of a tally: on a scale where it has a mass, else by difference."""
    says = "by difference" if kg is None else "wet"
    told = {"name": name, "weighed": kg is not None, "by_difference": kg is None, "says": says}
    masses = {"delivered_kg": kg, "u_kg": 0.01, "estimated_kg": 0.0, "not_caught_kg": 0.0}
    return told | masses | more


def sound(document: WeighUp) -> WeighUp:
    """A document that can be balanced, and read again from its own JSON."""
    check(document)
    network(document)
    assert WeighUp.model_validate(document.model_dump(mode="json", exclude_defaults=True)) == document
    return document


# ---------------------------------------------------------------------- masses


def test_a_run_is_a_feed_and_its_outlets() -> None:
    document = Office().of_run()
    assert list(document.streams) == ["feed", "tailings", "concentrate"]
    assert document.passes["run-1"].products == ("tailings", "concentrate")
    feed, tailings, concentrate = document.streams.values()
    assert (feed.net, feed.u, feed.scale) == (30.0, 0.02, "feed")
    assert (tailings.net, tailings.u, tailings.scale, tailings.dry) == (20.0, 0.01, "tailings", False)
    assert concentrate.net is None  # by difference: that is for the balance to find
    assert (document.lot, document.material, document.units) == ("L1", "floor sweepings", "kg")


def test_a_product_weighed_by_hand_stands_with_its_containers() -> None:
    office = Office()
    for container, gross in (("1", "6 kg"), ("2", "5 kg")):
        fields = {"outlet": "concentrate", "container": container, "gross": gross, "tare": "1 kg"}
        office.say("weigh-product", run="run-1", scale="bench", **fields)
    document = office.of_run()
    containers = document.streams["concentrate"].containers
    assert [(c.container, c.gross, c.tare, c.scale) for c in containers] == [
        ("1", 6.0, 1.0, "bench"),
        ("2", 5.0, 1.0, "bench"),
    ]
    assert set(document.scales) == {"feed", "tailings", "bench"}


def test_what_was_weighed_by_hand_counts_before_the_scale_under_it() -> None:
    office = Office()
    office.say("weigh-product", run="run-1", outlet="tailings", container="1", gross="21 kg", tare="1.1 kg")
    tailings = office.of_run().streams["tailings"]
    assert (tailings.net, len(tailings.containers)) == (None, 1)
    assert tailings.note == "weighed by hand; its scale told 20 kg wet"


def test_a_container_without_its_tare_is_left_out_and_said() -> None:
    office = Office()
    office.say("weigh-product", run="run-1", outlet="concentrate", container="7", gross="21 kg")
    concentrate = office.of_run().streams["concentrate"]
    assert concentrate.containers == ()
    assert "container 7 lacks its gross or its tare" in concentrate.note


def test_solids_by_displacement_are_dry_whatever_their_moisture() -> None:
    office = Office()
    office.say("moisture", run="run-1", outlet="tailings", share="12 %")
    office.tailings(says="solids")
    tailings = office.of_run().streams["tailings"]
    assert (tailings.net, tailings.dry, tailings.moisture) == (20.0, True, None)


def test_a_mass_with_all_its_water_counts_only_with_its_moisture() -> None:
    office = Office()
    office.tailings(says="with water")
    before = office.of_run().streams["tailings"]
    office.say("moisture", run="run-1", outlet="tailings", share="40 %")
    after = office.of_run().streams["tailings"]
    assert (before.net, after.net) == (None, 20.0)
    assert "20 kg with it; not taken for its mass. Decant and weigh it" in before.note


def test_a_loss_is_no_mass() -> None:
    office = Office()
    office.tailings(delivered_kg=-0.03)
    tailings = office.of_run().streams["tailings"]
    assert (tailings.net, tailings.u) == (0.0, 0.03)
    assert "a loss; taken as 0 kg" in tailings.note


@pytest.mark.parametrize(
    ("told", "u_kg"),
    [
        ({"hold_up_how": "declared"}, 0.2),
        ({"hold_up_how": "from the lag", "hold_up": {"kg": 0.4, "u_kg": 0.05}}, 0.05),
    ],
)
def test_what_stayed_on_the_deck_is_a_product(told: dict[str, Any], u_kg: float) -> None:
    office = Office()
    office.tell(hold_up_kg=0.4, **told)
    document = office.of_run()
    assert (document.streams["hold-up"].net, document.streams["hold-up"].u) == (0.4, u_kg)
    assert "hold-up" in document.passes["run-1"].products


def test_a_deck_that_ran_empty_holds_nothing() -> None:
    office = Office()
    office.tell(hold_up_kg=0.01, hold_up_how="emptied")
    assert "hold-up" not in office.of_run().streams


def test_what_was_not_caught_is_a_product_of_its_own() -> None:
    office = Office()
    office.tailings(not_caught_kg=0.3)
    missed = office.of_run().streams["tailings not caught"]
    assert (missed.net, missed.u) == (0.3, 0.15)
    assert "estimated" in missed.note


# ---------------------------------------------------------------------- feed and lot


def test_an_unweighed_feed_is_what_was_booked_in() -> None:
    office = Office(gross="32 kg", tare="1 kg", moisture="6 %")
    office.tell(feed_kg=None, feed_u_kg=None)
    document = office.of_run()
    (container,) = document.streams["feed"].containers
    assert (container.gross, container.tare) == (32.0, 1.0)
    assert document.streams["feed"].moisture == Moisture(share=0.06)
    assert "booked" not in document.streams


def test_booked_and_weighed_feed_are_two_measurements_that_a_node_joins() -> None:
    office = Office(containers=[{"container": "1", "gross": "32 kg", "tare": "1 kg"}])
    document = office.of_run()
    assert document.passes["booking"].feed == ("booked",)
    assert document.passes["booking"].products == ("feed",)
    assert document.streams["booked"].containers[0].gross == 32.0


def test_a_lot_of_which_only_a_part_was_fed_is_not_the_feed() -> None:
    """Half of the booked mass went over the deck: the hopper alone tells the feed, and that is said."""
    office = Office(gross="62 kg", tare="1 kg", moisture="6 %")
    document = office.of_run()
    assert "booked" not in document.streams
    assert "not used" in document.streams["feed"].note
    assert document.streams["feed"].moisture == Moisture(share=0.06)


def test_a_lot_that_went_through_several_runs_is_not_the_feed_of_one() -> None:
    office = Office(gross="61 kg", tare="1 kg", moisture="6 %")
    office.run(30, 40, lot="L1")
    one = office.of_run(whole_lot=False)
    assert "booked" not in one.streams
    assert one.streams["feed"].moisture == Moisture(share=0.06)
    whole = office.of_lot()
    assert whole.passes["booking"].products == ("run-1/feed", "run-2/feed")
    assert whole.passes["run-2"].products == ("run-2/tailings", "run-2/concentrate")


def test_a_lot_booked_in_without_a_tare_says_so() -> None:
    office = Office(gross="32 kg")
    office.tell(feed_kg=None)
    assert "no tare was told" in office.of_run().streams["feed"].note


# ---------------------------------------------------------------------- several passes


def test_a_product_that_is_fed_again_is_the_feed_of_that_run() -> None:
    office = Office()
    run = office.run(30, 40, lot="L1", feed_from="run-1/concentrate")
    office.tell(run, feed_kg=None)
    document = office.of_lot()
    assert document.passes["run-2"].feed == ("run-1/concentrate",)
    assert [network(document).role(k) for k in range(len(document.streams))].count("between") == 1


def test_a_product_that_is_weighed_again_is_two_measurements() -> None:
    office = Office()
    office.run(30, 40, lot="L1", feed_from="run-1/tailings")
    document = office.of_lot()
    joined = document.passes["run-1/tailings over again"]
    assert (joined.feed, joined.products) == (("run-1/tailings",), ("run-2/feed",))
    assert document.passes["run-2"].feed == ("run-2/feed",)


def test_a_product_shared_between_two_runs_is_split() -> None:
    office = Office()
    for start in (30, 50):
        run = office.run(start, start + 10, lot="L1", feed_from="run-1/tailings")
        office.tell(run, feed_kg=None)
    document = office.of_lot()
    joined = document.passes["run-1/tailings over again"]
    assert joined.products == ("run-2/feed", "run-3/feed")
    assert document.passes["run-3"].feed == ("run-3/feed",)


@pytest.mark.parametrize("weighed", [False, True])
def test_several_products_together_are_the_feed_of_a_run(weighed: bool) -> None:
    office = Office()
    office.run(30, 40, lot="L1")
    run = office.run(50, 60, lot="L1", feed_from=["run-1/tailings", "run-2/tailings"])
    office.tell(run, feed_kg=40.0 if weighed else None)
    document = office.of_lot()
    both = ("run-1/tailings", "run-2/tailings")
    if_weighed = document.passes.get("run-1/tailings + run-2/tailings over again")
    fed = document.passes["run-3"].feed if if_weighed is None else if_weighed.feed
    assert fed == both
    assert (if_weighed is not None) is weighed


def test_runs_that_share_what_they_are_fed_with_are_joined_by_one_node() -> None:
    office = Office()
    office.run(30, 40, lot="L1")
    first = office.run(50, 60, lot="L1", feed_from=["run-1/tailings", "run-2/tailings"])
    second = office.run(70, 80, lot="L1", feed_from="run-2/tailings")
    for run in (first, second):
        office.tell(run, feed_kg=None)
    (node,) = [p for name, p in office.of_lot().passes.items() if name.endswith("over again")]
    assert node.feed == ("run-1/tailings", "run-2/tailings")
    assert node.products == ("run-3/feed", "run-4/feed")


def test_what_was_swept_up_is_a_product() -> None:
    office = Office()
    office.say("swept-up", run="run-1", gross="2.1 kg", tare="0.9 kg")
    office.tailings(not_caught_kg=0.3)
    document = office.of_run()
    assert document.passes["run-1"].products[-1] == "swept up"  # what was not caught was swept up
    assert document.streams["swept up"].containers[0].gross == 2.1


def test_samples_of_a_product_serve_the_run_it_is_fed_to() -> None:
    office = Office()
    office.take("tailings", "T1")
    office.say("sample-result", sample="T1", assay=ASSAY)
    office.run(30, 40, feed_from="run-1/tailings")
    document = office.of_run("run-2", whole_lot=False, sources=[office.clerk.run("run-1")])
    assert [each.sample for each in document.streams["feed"].compositions] == ["T1"]


# ---------------------------------------------------------------------- compositions


def test_every_result_of_every_sample_stands_with_its_number() -> None:
    office = Office()
    office.take("concentrate", "C1")
    office.take("concentrate", "C2")
    office.say("sample-result", sample="C1", assay=ASSAY, u=0.006, reference="26-1187")
    office.say("sample-result", sample="C1", assay=ASSAY, u={"bronze": 0.004})
    sorts = {"sorted": {"bronze": "40 g", "slag": "9 g"}, "pieces": 812, "size": "4 mm"}
    office.say("sample-result", sample="C2", scale="bench", **sorts)
    document = office.of_run()
    found = document.streams["concentrate"].compositions
    assert [(c.sample, c.way) for c in found] == [("C1", "assay"), ("C1", "assay"), ("C2", "sorted")]
    assert (found[0].u, found[1].u, found[2].pieces, found[2].scale) == (
        0.006,
        {"bronze": 0.004},
        812,
        "bench",
    )
    assert document.components == ("bronze", "slag")
    assert document.wanted == "bronze"


@pytest.mark.parametrize(
    ("results", "complete"),
    [
        ([{"assay": {"bronze": 0.8}}], False),
        ([{"assay": {"bronze": 0.8, "slag": 0.1}}], False),
        ([{"assay": {"bronze": 0.8, "slag": 0.19}}], True),
        ([{"assay": {"bronze": 0.8, "slag": 0.12}, "u": 0.02}], True),
        ([{"sorted": {"bronze": 4, "slag": 1}}], True),
        ([{"sorted": {"bronze": 4, "slag": 1}}, {"assay": {"bronze": 0.8}}], False),
        ([{"sorted": {"bronze": 4, "slag": 1}}, {"counted": {"bronze": 4, "sand": 1}}], False),
    ],
)
def test_components_are_everything_where_every_result_is_of_all_of_them(
    results: list[dict[str, Any]], complete: bool
) -> None:
    office = Office()
    office.take("concentrate", "C1")
    for each in results:
        office.say("sample-result", sample="C1", **each)
    assert office.of_run().complete is complete


def test_what_nobody_sampled_is_expected_to_be_like_the_feed_and_hardly_known() -> None:
    office = Office()
    office.say("register-sample", sample="F1", lot="L1")
    office.say("sample-result", sample="F1", counted={"bronze": 30, "sand": 70})
    office.tell(hold_up_kg=0.4, hold_up_how="declared")
    (guess,) = office.of_run().streams["hold-up"].compositions
    assert guess.expected == pytest.approx({"bronze": 0.3, "sand": 0.7})
    assert guess.u == pytest.approx({"bronze": 0.15, "sand": 0.35})


def test_what_nobody_sampled_is_like_the_products_where_the_feed_was_not_sampled() -> None:
    office = Office()
    office.take("tailings", "T1")
    office.take("concentrate", "C1")
    office.say("sample-result", sample="T1", assay={"bronze": 0.02})
    office.say("sample-result", sample="C1", assay={"bronze": 0.81})
    fields = {"outlet": "concentrate", "container": "1", "gross": "11 kg", "tare": "1 kg"}
    office.say("weigh-product", run="run-1", **fields)
    office.tell(hold_up_kg=0.4, hold_up_how="declared")
    (guess,) = office.of_run().streams["hold-up"].compositions
    assert guess.expected == pytest.approx({"bronze": (20 * 0.02 + 10 * 0.81) / 30})


# ---------------------------------------------------------------------- moistures


def test_a_moisture_of_the_material_counts_before_those_of_its_samples() -> None:
    office = Office()
    office.take("tailings", "T1")
    office.say("moisture", sample="T1", share="9 %", u="0.3 %")
    assert office.of_run().streams["tailings"].moisture == Moisture(share=0.09, u=0.003)
    office.say("moisture", run="run-1", outlet="tailings", pan="0.2 kg", pan_wet="1.2 kg", pan_dry="1.1 kg")
    assert office.of_run().streams["tailings"].moisture == Moisture(pan=0.2, pan_wet=1.2, pan_dry=1.1)


def test_a_pan_that_is_not_dried_yet_is_said() -> None:
    office = Office()
    office.say("moisture", run="run-1", outlet="tailings", container="P3", pan="0.2 kg", pan_wet="1.2 kg")
    tailings = office.of_run().streams["tailings"]
    assert tailings.moisture is None
    assert "P3 still lacks a weight" in tailings.note


def test_several_moistures_are_one_mean_on_the_wet_basis() -> None:
    """0.10 wet, 0.25 dry = 0.20 wet, and a pan of 0.15: mean 0.15, s = 0.05, u = s/sqrt(3)."""
    mean = mean_moisture(
        [
            Moisture(share=0.10),
            Moisture(share=0.25, basis="dry"),
            Moisture(pan=0.2, pan_wet=1.2, pan_dry=1.05),
        ]
    )
    assert (mean.share, mean.basis) == (pytest.approx(0.15), "wet")
    assert mean.u == pytest.approx(0.05 / 3**0.5)


def test_the_mean_of_moistures_is_no_surer_than_they_are() -> None:
    mean = mean_moisture([Moisture(share=0.1, u=0.01), Moisture(share=0.1, u=0.01)])
    assert mean.u == pytest.approx(0.01 / 2**0.5)


# ---------------------------------------------------------------------- scales, and what can't be known


def test_a_scale_stands_with_its_plate_and_its_check_weights() -> None:
    office = Office()
    office.say("check-weight", scale="tailings", nominal="5 kg", shown="5.005 kg", u="0.1 g")
    checks = {"tailings": [c.to_json() for c in office.clerk.books.evidence.checks_of("tailings")]}
    scale = office.of_run(checks=checks).scales["tailings"]
    assert (scale.resolution, scale.accuracy_class, scale.verification_interval) == (0.005, "III", 0.01)
    assert scale.tolerance == 0.008
    (known,) = scale.checks
    assert (known.nominal, known.shown, known.u_nominal) == (5.0, 5.005, 0.0001)
    assert known.at is not None


def test_an_open_run_says_that_it_is() -> None:
    office = Office()
    office.run(30, None)
    assert "run run-2 is still open" in office.of_run("run-2", whole_lot=False).streams["feed"].note


def test_masses_that_are_no_longer_known_say_so() -> None:
    office = Office()
    office.tell(taken=None, feed_kg=None)
    office.tailings(delivered_kg=None)
    document = office.of_run()
    assert "said too late" in document.streams["feed"].note
    assert document.streams["tailings"].net is None


def test_masses_of_another_span_say_so() -> None:
    office = Office()
    office.tell(start="2026-03-02T05:00:00.000Z")
    assert "masses are those from 2026-03-02T05:00:00.000Z" in office.of_run().streams["feed"].note


def test_outlets_that_stand_together_are_one_stream_unless_each_was_weighed() -> None:
    bay = loads("""
    [instruments.rough]
    resolution = "5 g"
    [stations.table]
    target = "36 kg/h"
    [stations.table.feed]
    kind = "unweighed"
    [stations.table.outlets.tailings]
    scale = "rough"
    [stations.table.outlets.concentrate]
    scale = "rough"
    """).bay
    office = Office()
    office.tell(feed_kg=None, outlets={"rough": outlet("tailings + concentrate", 20.0)})
    run = office.clerk.run("run-1")
    one = sound(of_run(bay, run, office.tallies["run-1"]))
    assert list(one.streams) == ["feed", "tailings + concentrate"]
    for name, gross in (("tailings", "17 kg"), ("concentrate", "5 kg")):
        office.say("weigh-product", run="run-1", outlet=name, container="1", gross=gross, tare="1 kg")
    each = sound(of_run(bay, office.clerk.run("run-1"), office.tallies["run-1"]))
    assert list(each.streams) == ["feed", "tailings", "concentrate"]


def test_two_runs_with_long_names_keep_their_streams_apart() -> None:
    office = Office()
    for number in (1, 2):
        office.run(30 * number, 30 * number + 10, lot="L1", run=f"{number}" + "x" * 79)
    streams = office.of_lot().streams
    assert len(streams) == 9
    assert max(map(len, streams)) <= 80


def test_what_stayed_on_the_deck_takes_no_balance_away() -> None:
    """Its grade is no more than expected: else it would be whatever closes the balance, minus 60 % too."""
    office = Office()
    office.say("register-sample", sample="F1", lot="L1")
    office.take("tailings", "T1")
    office.take("concentrate", "C1")
    for sample, grade in (("F1", "30 %"), ("T1", "2 %"), ("C1", "81 %")):
        office.say("sample-result", sample=sample, assay={"bronze": grade}, u="0.5 %")
    office.say("moisture", lot="L1", share="5 %", u="0.2 %")
    for outlet_ in ("tailings", "concentrate"):
        office.say("moisture", run="run-1", outlet=outlet_, share="5 %", u="0.2 %")
    fields = {"outlet": "concentrate", "container": "1", "gross": "10.6 kg", "tare": "1 kg"}
    office.say("weigh-product", run="run-1", **fields)
    office.tell(hold_up_kg=0.4, hold_up_how="declared")
    result = weigh_up(office.of_run(), method="linear")
    grade = result.streams["hold-up"].components["bronze"].grade
    assert grade is not None
    assert 0.0 < grade.value < 0.6
    assert result.tests is not None
    assert result.tests.degrees == 2  # the masses close, and so does bronze
