"""The side channel as the harness uses it: rigs of one's own that follow little, that refuse, that talk nonsense."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any

import pytest

from busproto.conformance.dut import Dut
from busproto.conformance.side import Beside, SideError, SideRefusedError, TcpSide
from busproto.conformance.targets import UID, InProcess
from busproto.wire import messages as m

OTHER_UID = bytes(range(8))


class Rig:
    """A rig that follows the words it is given; what each says back, by the word."""

    def __init__(self, **says: Any) -> None:
        self.says = says
        self.heard: list[str] = []

    def follow(self, line: str) -> dict[str, Any]:
        self.heard.append(line)
        said = self.says.get(line.partition(" ")[0])
        if said is None:
            raise SideRefusedError(f"'{line}'?")
        return dict(said)


RELAY = {"able": {"done": "", "words": ["able", "plug", "unplug"]}, "plug": {"done": ""}, "unplug": {"done": ""}}


def one(uid: bytes, label: str = "x", **more: Any) -> dict[str, Any]:
    return {"label": label, "uid": uid.hex(), **more}


def who(*there: dict[str, Any]) -> dict[str, Any]:
    return {
        "able": {"done": "", "words": ["able", "who"]},
        "who": {"done": "", "actuators": list(there)},
    }


def test_the_one_under_test_is_known_by_its_uid() -> None:
    there = who(one(OTHER_UID, "not it"), one(UID, 'the "right" one', is_powered=False, written=7))
    beside = Beside(Rig(**there), UID)
    assert (beside.is_powered, beside.written_bytes) == (False, 7)


def test_alone_it_may_have_any_uid() -> None:
    """A relay does not know who hangs behind it."""
    assert Beside(Rig(**who({"label": "the only one", "is_powered": True})), UID).is_powered


@pytest.mark.parametrize("there", [(), (one(OTHER_UID), one(OTHER_UID[::-1]))])
def test_one_that_is_not_there_is_an_error(there: tuple[dict[str, Any], ...]) -> None:
    with pytest.raises(SideError, match=f"does not know {UID.hex()}"):
        Beside(Rig(**who(*there)), UID)


@pytest.mark.parametrize("said", [{"done": ""}, {"done": "", "words": "plug"}])
def test_one_that_does_not_say_what_it_follows_is_an_error(said: dict[str, Any]) -> None:
    with pytest.raises(SideError, match="answers 'able' without a list 'words'"):
        Beside(Rig(able=said), UID)


def dut_with(rig: Rig) -> Dut:
    made = InProcess("python").fresh("side")
    made.side = Beside(rig, UID)
    return made


def test_a_relay_cuts_power_and_tells_no_moments() -> None:
    rig = Rig(**RELAY)
    dut = dut_with(rig)
    assert dut.can("plug", "unplug")
    dut.power_cut()
    assert rig.heard == ["able", 'unplug ""', 'plug ""']
    assert dut.line_ns() == 0
    with pytest.raises(pytest.skip.Exception, match="the side channel does not follow: heard"):
        dut.spoken(0)


def test_without_any_the_reason_says_what_would_be_needed() -> None:
    dut = dut_with(Rig(**RELAY))
    dut.side = None
    with pytest.raises(pytest.skip.Exception, match=r"--dut-side\) that follows: cut, plug"):
        dut.beside("cut", "plug")


def test_behind_is_measured_from_whatever_was_said_last_before() -> None:
    dut = InProcess("python").fresh("side")
    side = dut.beside("jam", "heard")
    since_ns = dut.line_ns()
    dut.ask(m.LinkTest(b"a"), m.LinkTested)
    assert 100_000 <= dut.behind(since_ns) <= 132_000
    since_ns = dut.line_ns()
    side.jam(5_000, b"\x55")  # at 115 200 Bd it lasts 86.8 us: it has ended before the answer may begin
    dut.frames_after(dut.wire(m.LinkTest(b"b")), count=1)
    assert [one.by for one in side.heard(since_ns)] == ["host", "", "actuator 0"]
    assert 100_000 - 91_806 <= dut.behind(since_ns) <= 132_000 - 91_805
    dut.ask(m.LinkTest(b"c"), m.LinkTested)
    with pytest.raises(AssertionError, match="it spoke 2 times"):
        dut.behind(since_ns)


def test_where_tells_the_one_address_at_which_it_answers() -> None:
    dut = InProcess("reference").fresh("side")
    assert dut.where((5, 6)) == 5
    assert dut.where((9, 5)) == 5
    with pytest.raises(AssertionError, match=r"answers at \[\]"):
        dut.where((6, 7))


# --- over TCP -----------------------------------------------------------------------------------------------------


@contextmanager
def rig_at(answer: Callable[[bytes], bytes]) -> Iterator[str]:
    """A rig that answers each line so, and hangs up where it has nothing to say; gives HOST:PORT."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        client, _ = listener.accept()
        with client, client.makefile("rb") as lines:
            for line in lines:
                told = answer(line)
                if not told:
                    return
                client.sendall(told)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"127.0.0.1:{listener.getsockname()[1]}"
    finally:
        thread.join()
        listener.close()


@contextmanager
def side_at(answer: Callable[[bytes], bytes]) -> Iterator[TcpSide]:
    with rig_at(answer) as name:
        side = TcpSide(name)
        try:
            yield side
        finally:
            side.close()


def test_lines_go_out_and_answers_come_in_whatever_pieces() -> None:
    with side_at(lambda line: json.dumps({"done": line.decode().strip()}).encode() + b"\n") as side:
        assert [side.follow(f"word {number}")["done"] for number in range(3)] == ["word 0", "word 1", "word 2"]


def test_a_refusal_carries_its_reason() -> None:
    refused = b'{"refused": "no relay is fitted"}\n'
    with side_at(lambda _: refused) as side, pytest.raises(SideRefusedError, match="no relay is fitted"):
        side.follow("plug x")


@pytest.mark.parametrize("said", [b"hello\n", b"[1]\n", b"{}\n", b"\xff\n"])
def test_nonsense_is_an_error(said: bytes) -> None:
    with side_at(lambda _: said) as side, pytest.raises(SideError, match="sends what is no answer"):
        side.follow("able")


def test_one_that_hangs_up_is_an_error() -> None:
    with side_at(lambda _: b"") as side, pytest.raises(SideError, match=r"was closed|does not answer"):
        side.follow("able")


def test_an_answer_that_came_too_late_is_not_taken_for_that_of_the_next_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rig answers the first line when the harness has given it up; every later answer is of its own line."""
    monkeypatch.setattr("busproto.conformance.side.PATIENCE_S", 0.1)
    given_up = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))

    def serve(client: socket.socket) -> None:
        with client, client.makefile("rb") as lines, suppress(OSError):
            for line in lines:
                if line == b"first\n":
                    given_up.wait()
                client.sendall(json.dumps({"done": line.decode().strip()}).encode() + b"\n")

    def accept() -> None:
        with listener, ThreadPoolExecutor() as pool:
            for _ in range(2):
                pool.submit(serve, listener.accept()[0])

    thread = threading.Thread(target=accept)
    thread.start()
    side = TcpSide(f"127.0.0.1:{listener.getsockname()[1]}")
    with pytest.raises(SideError, match="does not answer"):
        side.follow("first")
    given_up.set()
    monkeypatch.setattr("busproto.conformance.side.PATIENCE_S", 10.0)
    assert [side.follow(f"word {number}")["done"] for number in range(3)] == ["word 0", "word 1", "word 2"]
    side.close()
    thread.join()


def test_what_was_heard_without_its_list_is_an_error() -> None:
    side = Beside(Rig(able={"words": ["heard"]}, heard={"done": "nothing"}), UID)
    with pytest.raises(SideError, match="without a list 'heard'"):
        side.heard(0)
