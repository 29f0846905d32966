"""Net masses: what they share correlates them, what can't be is refused, a miscounted tare is asked about."""

import numpy as np
import pytest

from logger.balance.document import WeighUp
from logger.balance.faults import WeighUpError
from logger.balance.inputs import Inputs, covariance, evaluate
from logger.balance.masses import wet_mass
from logger.balance.result import How

BENCH = {"resolution": "5 g", "tolerance": "10 g"}


def weighed(*names: str, **document):
    """Values, covariance and notes of the streams' wet masses."""
    read = WeighUp.model_validate(document)
    inputs = Inputs()
    found = [wet_mass(name, read.streams[name], read, inputs) for name in names]
    terms = [each.term for each in found]
    notes = [note for each in found for note in each.notes]
    return evaluate(terms, inputs.values), covariance(terms, inputs), notes


def pails(*gross_and_tare, **more):
    return {"containers": [{"gross": g, "tare": t, **more} for g, t in gross_and_tare]}


def test_a_stream_that_was_not_weighed_has_no_mass():
    read = WeighUp.model_validate({"streams": {"feed": {}}})
    assert wet_mass("feed", read.streams["feed"], read, Inputs()) is None


def test_the_net_of_a_container_is_gross_less_tare_with_the_rounding_of_both():
    """u of a net of two readings of step d is d/√6 (JCGM 100, F.2.2.1), with a calibration known exactly."""
    scale = {"resolution": "5 g", "checks": [{"nominal": "1000 kg", "shown": "1000 kg"}]}
    y, v, _ = weighed("a", streams={"a": pails((6.2, 1.0), scale="bench")}, scales={"bench": scale})
    assert y[0] == pytest.approx(5.2)
    assert np.sqrt(v[0, 0]) == pytest.approx(0.005 / np.sqrt(6), rel=1e-3)


def test_streams_of_one_scale_share_its_calibration_error():
    streams = {"a": {"net": 8, "scale": "bench"}, "b": {"net": 4, "scale": "bench"}}
    y, v, _ = weighed("a", "b", streams=streams, scales={"bench": BENCH})
    relative = 0.010 / 8 / np.sqrt(3)
    assert v[0, 1] == pytest.approx(y[0] * y[1] * relative**2, rel=1e-12)


def test_streams_of_different_scales_are_not_correlated():
    streams = {"a": {"net": 8, "scale": "bench"}, "b": {"net": 4, "scale": "floor"}}
    _, v, _ = weighed("a", "b", streams=streams, scales={"bench": BENCH, "floor": BENCH})
    assert v[0, 1] == 0.0


def test_containers_of_one_kind_share_its_tare():
    """Three pails of a kind that varies by s: variance 9·(s² + reading²) shared, and 3·s² of their own."""
    read = {"pail": {"mass": "1 kg", "u": "20 g"}}
    scale = {"resolution": "0.001 g", "checks": [{"nominal": "1000 kg", "shown": "1000 kg"}]}
    stream = pails((6, "pail"), (7, "pail"), (8, "pail"), scale="s")
    y, v, _ = weighed("a", streams={"a": stream}, scales={"s": scale}, tares=read)
    assert y[0] == pytest.approx(18.0)
    assert v[0, 0] == pytest.approx(9 * 0.02**2 + 3 * 0.02**2, rel=1e-5)


def test_a_tally_brings_its_own_uncertainty_and_shares_the_scale():
    stream = {"net": 10, "u": 0.02, "scale": "bench"}
    _, v, _ = weighed("a", streams={"a": stream}, scales={"bench": BENCH})
    assert v[0, 0] == pytest.approx(0.02**2 + (0.010 / np.sqrt(3)) ** 2)


def test_a_mass_of_which_nothing_is_known_gets_a_stated_uncertainty():
    _, v, notes = weighed("a", streams={"a": {"net": 10}})
    assert np.sqrt(v[0, 0]) == pytest.approx(0.05)
    assert any("0.5 % was assumed" in each for each in notes)


def test_an_uncertainty_of_zero_is_taken_as_it_is_and_said():
    _, v, notes = weighed("a", streams={"a": {"net": 10, "u": 0}})
    assert v[0, 0] == 0.0
    assert "taken as exact" in notes[0]


def test_a_tare_above_the_gross_is_refused_with_its_place():
    streams = {"tailings": pails((6, 1), (1, 6), (0.5, "pail"))}
    with pytest.raises(WeighUpError) as error:
        weighed("tailings", streams=streams, tares={"pail": {"mass": "1 kg"}})
    assert [fault.split(":")[0] for fault in error.value.faults] == [
        "streams.tailings.containers.1",
        "streams.tailings.containers.2",
    ]
    assert "swapped" in str(error.value)


def test_an_unknown_scale_is_refused_with_its_place():
    with pytest.raises(WeighUpError, match=r'streams\.a\.scale: there is no scale "x"; there is none'):
        weighed("a", streams={"a": {"net": 1, "scale": "x"}})


def test_an_unknown_kind_of_container_is_refused_with_its_place():
    with pytest.raises(WeighUpError, match=r'containers\.0\.tare: there is no kind of container "tub"'):
        weighed("a", streams={"a": pails((6, "tub"))})


def test_a_full_container_that_holds_nothing_is_no_fault():
    y, _, _ = weighed("a", streams={"a": pails((1, 1))})
    assert y[0] == 0.0


def test_two_containers_of_one_name_are_two():
    stream = {"containers": [{"container": "red", "gross": 6, "tare": 1}] * 2, "scale": "s"}
    y, _, _ = weighed("a", streams={"a": stream}, scales={"s": BENCH})
    assert y[0] == pytest.approx(10)


def test_a_mass_is_said_to_be_weighed():
    read = WeighUp.model_validate({"streams": {"a": {"net": 1}}})
    assert wet_mass("a", read.streams["a"], read, Inputs()).how is How.WEIGHED


# ------------------------------------------------------------------ tares


def asked(*gross_and_tare, **document):
    notes = weighed("a", streams={"a": pails(*gross_and_tare)}, **document)[2]
    return [each for each in notes if each.endswith("?")]


def test_equal_containers_raise_no_question():
    assert asked((6.0, 1.0), (6.1, 1.02), (6.05, 0.98)) == []


def test_unequally_filled_containers_raise_no_question():
    assert asked((6.0, 1.0), (9.3, 1.0), (3.4, 1.0)) == []


def test_a_forgotten_tare_is_asked_about():
    """The third net is 6.05 kg beside 5.0 and 5.1: one pail too much."""
    (question,) = asked((6.0, 1.0), (6.1, 1.0), (7.05, 1.0))
    assert "close to one tare of 1 kg" in question
    assert "was a tare forgotten?" in question


def test_a_tare_taken_off_twice_is_asked_about():
    (question,) = asked((6.0, 1.0), (6.1, 1.0), (5.05, 1.0))
    assert "was a tare taken off twice?" in question


def test_a_missing_tare_is_asked_about_where_others_have_one():
    found = asked((6.0, 1.0), (9.1, 1.0), (4.2, 0))
    assert len(found) == 1
    assert "container 3 (4.2 kg) has no tare, where others have 1 kg" in found[0]


def test_containers_without_any_tare_raise_no_question():
    """Tared at the scale, all of them: nothing speaks against it."""
    assert asked((6.0, 0), (9.1, 0), (4.2, 0)) == []


def test_two_pails_taken_off_as_one_are_asked_about():
    (question,) = asked((6.0, 1.0), (9.1, 1.0), (4.2, 2.0))
    assert "were 2 tares taken off" in question


def test_questions_speak_pounds_to_who_weighs_in_pounds():
    found = asked(("12 lb", "2 lb"), ("19 lb", "2 lb"), ("9 lb", 0), units="lb")
    assert "container 3 (9 lb) has no tare, where others have 2 lb" in found[0]
