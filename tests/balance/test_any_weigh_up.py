"""Whatever a document holds: finite figures, on a page that can be printed, or a refusal in words."""

import json
from io import StringIO

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from rich.console import Console

from logger.balance import WeighUpError, read, weigh_up
from logger.commands import balance_page

NAMES = ("feed", "a", "b[/]")
COMPONENTS = ("bronze", "sand")
masses = st.sampled_from([0, "1 g", "1 kg", "4 kg", "6.1 kg", "10 kg", "90000 kg"])
shares = st.sampled_from([0, "0.1 %", "8 %", "50 %", "49.9 %", "99 %", 1])
spreads = st.sampled_from([0, "0.1 %", "2 %", "50 %"])


def some(values):
    return st.fixed_dictionaries({"bronze": values}, optional={"sand": values})


compositions = st.one_of(
    st.fixed_dictionaries({"assay": some(shares)}, optional={"u": spreads}),
    st.fixed_dictionaries({"expected": some(shares)}, optional={"u": spreads}),
    st.fixed_dictionaries({"counted": some(st.sampled_from([0, 1, 5, 1755]))}),
    st.fixed_dictionaries({"sorted": some(masses)}),
)
streams = st.fixed_dictionaries(
    {},
    optional={
        "net": masses,
        "u": masses,
        "dry": st.just(True),
        "scale": st.just("bench"),
        "moisture": st.fixed_dictionaries({"share": shares}, optional={"u": spreads}),
        "compositions": st.lists(compositions, max_size=2),
    },
)
documents = st.fixed_dictionaries(
    {
        "streams": st.dictionaries(st.sampled_from(NAMES), streams, min_size=1),
        "components": st.sampled_from([COMPONENTS, COMPONENTS, COMPONENTS[:1], ()]),
        "complete": st.booleans(),
        "scales": st.just({"bench": {"resolution": "5 g", "accuracy_class": "III"}}),
    },
    optional={
        "units": st.just("lb"),
        "sales": st.just({"a": {"grade": "no such"}}),
        "prices": st.just(
            {"currency": "EUR", "products": {"a": {"per_kg": 6, "component": "bronze", "payable": "97 %"}}}
        ),
    },
)


@pytest.fixture
def paper(monkeypatch):
    """Where the page is printed to."""
    made = Console(file=StringIO(), width=80, soft_wrap=True, highlight=False)
    monkeypatch.setattr(balance_page, "out", made)
    monkeypatch.setattr(balance_page, "err", made)
    return made.file


@settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.filter_too_much],
)
@given(data=documents)
def test_finite_figures_on_a_page_or_a_refusal_in_words(data, paper):
    try:
        result = weigh_up(read(data), method="linear")
    except WeighUpError as error:
        event("refused")
        said = error.faults
    else:
        event("balanced")
        said = (_page(result, paper),)
    assert said
    assert all(text and "Error" not in text and "nan" not in text and "\0" not in text for text in said)


def _page(result, paper):
    json.dumps(result.to_json(), allow_nan=False)
    paper.seek(0)
    paper.truncate()
    balance_page.show_balance(result)
    page = paper.getvalue()
    assert all(name in page for name in result.streams)
    return page


@settings(max_examples=20, deadline=None)
@given(data=documents)
def test_draws_give_finite_figures_too(data):
    try:
        result = weigh_up(read(data), method="monte-carlo", draws=1000)
    except WeighUpError:
        event("refused")
        return
    json.dumps(result.to_json(), allow_nan=False)
