"""Whatever a document holds that is sound in its parts: figures with finite uncertainty, or a clear error."""

import numpy as np
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from logger.balance.checks import drift, judge, scale_warnings
from logger.balance.composition import composition
from logger.balance.document import WeighUp
from logger.balance.faults import WeighUpError, check
from logger.balance.inputs import Inputs, covariance, evaluate
from logger.balance.masses import wet_mass
from logger.balance.moisture import moisture

COMPONENTS = ("bronze", "slag", "sand")
masses = st.sampled_from([0.0, 1e-6, 0.005, 0.5, 1.0, 1.01, 5.0, 40.0, 100_000.0])
shares = st.sampled_from([0.0, 1e-9, 0.02, 0.3, 0.5, 0.95, 1.0])
maybe_scale = st.sampled_from([None, "bench", "floor", "gone"])


def some(values):
    return st.dictionaries(st.sampled_from((*COMPONENTS, "gold")), values, min_size=1, max_size=4)


def optional(**fields):
    return st.fixed_dictionaries({}, optional=fields)


scales = optional(
    verification_interval=masses,
    accuracy_class=st.sampled_from(["I", "II", "III", "IIII"]),
    repeatability=masses,
    tolerance=masses,
    checks=st.lists(
        st.builds(
            lambda nominal, shown, day: {
                "nominal": nominal,
                "shown": shown,
                "at": f"2026-11-{day:02}T08:00:00Z",
            },
            masses,
            masses,
            st.integers(1, 30),
        ),
        max_size=4,
    ),
).flatmap(lambda more: st.builds(lambda d: {"resolution": d, **more}, masses))
containers = st.lists(
    st.fixed_dictionaries(
        {"gross": masses, "tare": st.one_of(masses, st.sampled_from(["pail", "tub"]))},
        optional={"scale": maybe_scale, "container": st.sampled_from(["red", "container 2"])},
    ),
    max_size=4,
)
waters = st.one_of(
    optional(share=shares, basis=st.sampled_from(["wet", "dry"]), u=shares),
    optional(pan=masses, pan_wet=masses, pan_dry=masses, scale=maybe_scale),
)
samples = st.one_of(
    st.fixed_dictionaries({"counted": some(st.integers(0, 1000))}),
    st.fixed_dictionaries(
        {"sorted": some(masses)},
        optional={
            "pieces": st.integers(1, 10**9),
            "size": st.just(0.002),
            "cv": shares,
            "scale": maybe_scale,
        },
    ),
    st.fixed_dictionaries(
        {"assay": some(shares)}, optional={"u": st.one_of(shares, some(shares)), "basis": st.just("wet")}
    ),
    st.fixed_dictionaries({"expected": some(shares)}, optional={"u": shares}),
).flatmap(
    lambda one: optional(density=st.one_of(st.just(5.0), some(st.just(5.0))), sample=st.just("B1")).map(
        lambda more: {**one, **more}
    )
)
streams = optional(
    net=masses,
    u=masses,
    scale=maybe_scale,
    containers=containers,
    dry=st.booleans(),
    moisture=waters,
    compositions=st.lists(samples, max_size=3),
)
documents = st.fixed_dictionaries(
    {
        "streams": st.dictionaries(st.sampled_from("ab"), streams, min_size=1),
        "components": st.just(COMPONENTS),
    },
    optional={
        "scales": st.dictionaries(st.sampled_from(["bench", "floor"]), scales),
        "tares": st.just({"pail": {"mass": 1.0, "u": 0.01}}),
        "complete": st.booleans(),
        "most_moisture": shares,
    },
)


@pytest.mark.parametrize("checked", [True, False], ids=["checked before", "by itself"])
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=documents)
def test_evidence_is_finite_or_refused_in_words(checked, data):
    try:
        document = WeighUp.model_validate(data)
        inputs, terms = Inputs(), []
        if checked:
            check(document)
        for name, stream in document.streams.items():
            wet = wet_mass(name, stream, document, inputs)
            found = [
                moisture(name, stream, document, inputs),
                *composition(name, stream, document, inputs).values(),
            ]
            found += [wet] if wet else []
            terms += [each.term for each in found]
            assert all(isinstance(note, str) and note for each in found for note in each.notes)
    except (ValidationError, WeighUpError):
        event("refused")
        return
    event("used")
    assert np.isfinite(evaluate(terms, inputs.values)).all()
    assert np.isfinite(covariance(terms, inputs)).all()
    assert np.isfinite(evaluate(terms, inputs.draw(4))).all()


@settings(max_examples=100, deadline=None)
@given(data=scales)
def test_any_check_weights_can_be_judged(data):
    document = WeighUp.model_validate({"scales": {"s": data}, "streams": {"a": {}}})
    scale = document.scales["s"]
    assert all(judge(each, scale).says for each in scale.checks)
    moved = drift(scale)
    assert moved is None or np.isfinite([moved.per_day, moved.u]).all()
    assert all(isinstance(each, str) for each in scale_warnings(scale, None))
