"""Networks: sources, sinks and what is between; contradictions are refused in clear words."""

from __future__ import annotations

import pytest

from logger.balance.document import WeighUp
from logger.balance.network import NetworkError, connect, network


def test_a_product_of_one_pass_may_feed_another():
    net = connect("abcde", {"one": ("a", "bc"), "two": ("c", "de")})
    assert [net.role(s) for s in range(5)] == ["feed", "product", "between", "product", "product"]


def test_products_of_several_passes_may_feed_one_together():
    net = connect("abcdefgh", {"one": ("a", "bc"), "two": ("d", "ef"), "again": ("cf", "gh")})
    assert net.nodes[2].ins == (2, 5)
    assert (net.sources, net.sinks) == ((0, 3), (1, 4, 6, 7))


def test_what_runs_in_a_circle_is_allowed_where_something_comes_in_and_out():
    net = connect("abcde", {"one": ("ae", "bc"), "two": ("b", "de")})
    assert net.incidence.tolist() == [[1, -1, -1, 0, 1], [0, 1, 0, -1, -1]]


def test_without_passes_the_feed_gives_all_others():
    net = network(WeighUp(streams={"tail": {}, "feed": {}, "bronze": {}}))
    assert net.streams == ("tail", "feed", "bronze")
    assert (net.nodes[0].ins, net.nodes[0].outs) == ((1,), (0, 2))


def test_a_feed_that_nobody_named_is_added():
    net = network(WeighUp(streams={"tail": {}, "bronze": {}}))
    assert net.streams == ("feed", "tail", "bronze")
    assert net.sources == (0,)


@pytest.mark.parametrize(
    ("streams", "passes", "words"),
    [
        ("abc", {"one": ("a", "bx")}, "pass one names x, which is not among the streams .a, b, c."),
        ("abcd", {"one": ("a", "bc"), "two": ("b", "cd")}, "c is made by one, two: only one pass"),
        ("abcd", {"one": ("a", "bc"), "two": ("a", "d")}, "a is fed to one, two: if it was split"),
        ("ab", {"one": ("a", "bb")}, "b is made by one: only one pass"),
        ("abc", {"one": ("a", "ab")}, "a goes in and comes out of the same pass"),
        ("abcd", {"one": ("a", "bc")}, "d: neither feed nor product of a pass"),
        ("ab", {"one": ("a", "b"), "two": ("b", "a")}, "the passes one, two have no feed"),
        ("abc", {"one": ("ac", "b"), "two": ("b", "a")}, "the passes one, two have no final product"),
    ],
)
def test_what_can_not_be_is_refused(streams, passes, words):
    with pytest.raises(NetworkError, match=words):
        connect(streams, passes)


def test_a_feed_without_products_is_refused():
    with pytest.raises(NetworkError, match="the only stream"):
        network(WeighUp(streams={"feed": {}}))
