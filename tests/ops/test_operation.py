"""An operation that is made and never run, run twice, or is none."""

from __future__ import annotations

import asyncio
import gc
from typing import Any

import pytest

from busproto import ops
from busproto.errors import InputError, LinkClosedError, PortClosedError
from busproto.ops import AsyncLink, Link
from busproto.ops.operation import Operation
from busproto.ops.steps import Now, Steps
from busproto.wire.messages import Status
from tests.ops.helpers import box, uid_of


def test_one_that_is_made_and_never_run_warns() -> None:
    with pytest.warns(RuntimeWarning, match="operation 'move' was made and never run, so nothing was sent"):
        ops.move(30, 0.2)


@pytest.mark.parametrize("name", [name for name in ops.__all__ if getattr(ops, name).__module__ != "builtins"])
def test_whatever_this_room_hands_out_as_an_operation_is_wrapped(name: str) -> None:
    """By its annotation: a function that gives Steps."""
    given = getattr(ops, name)
    if "Steps" in str(getattr(given, "__annotations__", {}).get("return", "")):
        assert given.__wrapped__
        assert given.__doc__


def test_one_that_is_run_driven_by_hand_used_by_another_or_closed_does_not_warn() -> None:
    one = box()
    one.add(1, 7)
    assert isinstance(one.run(ops.report(7)), Status)

    def both() -> Steps[int]:
        first = yield from ops.report(7)
        return first.position_cdeg

    assert one.run(both()) == 0
    by_hand = ops.find()
    assert isinstance(next(by_hand), Now)
    by_hand.close()
    sent = ops.find()
    assert isinstance(sent.send(None), Now)
    with pytest.raises(ValueError, match="away"):
        sent.throw(ValueError("away"))
    ops.report(7).close()
    made = ops.report(7)
    assert repr(made) == "<operation report, not begun>"
    one.run(made)
    assert repr(made) == "<operation report, begun>"
    gc.collect()


def once() -> Steps[None]:
    yield Now()


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (ops.find, "'find' is the function that makes one; call it, as in link.run"),
        (None, "such as find"),
        (3, "not 3"),
        ([Now()], "such as find"),
        (iter(()), "not what 'await' is for"),
    ],
)
def test_what_is_no_operation_is_refused_in_a_line(given: Any, text: str) -> None:
    one = box()
    with pytest.raises(InputError, match=text):
        one.link.run(given)
    with pytest.raises(InputError, match=text):
        asyncio.run(AsyncLink(one.bus.host).run(given))
    assert one.link.exchanges == 0


@pytest.mark.parametrize("make", [once, lambda: Operation("once", once())])
def test_one_that_has_come_to_its_end_is_not_run_again(make: Any) -> None:
    one = box()
    steps = make()
    one.run(steps)
    with pytest.raises(InputError, match="has ended already"):
        one.run(steps)


def test_a_closed_link_says_so_and_no_word_of_commands() -> None:
    one = box()
    one.add(1, 7)
    with Link(one.bus.host) as link:
        link.run(ops.assign(uid_of(1), 8))
    for _ in range(2):
        with pytest.raises(PortClosedError) as caught:
            link.run(ops.report(8))
        assert type(caught.value) is LinkClosedError
        assert str(caught.value) == (
            "the link was closed (port 'sim://'); nothing was sent. Open it again before you use it"
        )
        assert caught.value.done == ()
    with pytest.raises(LinkClosedError):
        one.bus.host.write(b"x")
    assert "closed" in repr(link)


def test_what_may_have_moved_is_noted_and_what_only_asks_is_not() -> None:
    one = box()
    one.add(1, 7)
    one.run(ops.find())
    one.run(ops.report(7))
    one.run(ops.write(7, {"neutral": 5}))
    one.run(ops.release(7))
    assert one.link.may_move == set()
    one.run(ops.engage(7))
    assert one.link.may_move == {7}
    one.run(ops.stream({1: 0.0}, 0))
    assert one.link.may_move == {7, 255}
