"""Actions are done in the order in which they were made, however they come in."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sidewall.charting.order import InOrder


def action(number, view="a"):
    return {"view": view, "number": number}


def come_in(order, actions):
    return [done["number"] for one in actions for done in order.take(one)]


@given(st.integers(0, 25).flatmap(lambda n: st.permutations(range(1, n + 1))))
def test_any_order_of_arrival_gives_the_order_made(numbers):
    assert come_in(InOrder(), map(action, numbers)) == sorted(numbers)


def test_views_do_not_wait_for_one_another():
    order = InOrder()
    assert order.take(action(2, "a")) == []
    assert order.take(action(1, "b")) == [action(1, "b")]
    assert order.take(action(1, "a")) == [action(1, "a"), action(2, "a")]


def test_an_action_is_done_once():
    assert come_in(InOrder(), [action(1), action(1), action(2), action(1)]) == [1, 2]


def test_a_lost_action_does_not_stop_the_rest():
    numbers = [n for n in range(1, 60) if n != 3]
    assert come_in(InOrder(), map(action, numbers)) == numbers
