"""The side channel: every word, what is refused, and the port at which programs find it."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Iterator

import pytest

from busproto.sim import server, side_channel
from busproto.sim.bus import VirtualBus
from busproto.sim.control import COMMANDS, ControlError
from busproto.sim.errors import SimError
from busproto.sim.native import device
from busproto.sim.native.device import Device
from busproto.sim.scene.scenario import parse
from busproto.sim.server import SidePort
from busproto.sim.side_channel import SideChannel
from busproto.wire import encode_frame, message_of, request_frame
from busproto.wire.decoder import Decoder
from busproto.wire.frame import Frame
from busproto.wire.message import Message
from busproto.wire.messages import Commit, Committed, Describe, Description, LinkTest, Memory, Read, Values, Write
from busproto.wire.parameters import BY_NAME

MS = 1_000_000
SCENARIO = """
title = "two, one of them the firmware"
[line]
clock-error = 0.0
[model.m]
[[actuator]]
label = "of Python"
model = "m"
address = 3
[[actuator]]
label = "of C"
model = "m"
device = "reference"
address = 4
"""
BOTH = pytest.mark.parametrize(("label", "address"), [("of Python", 3), ("of C", 4)])


@pytest.fixture
def bus() -> VirtualBus:
    return parse(SCENARIO).build(1)


@pytest.fixture
def channel(bus: VirtualBus) -> SideChannel:
    return SideChannel(bus)


def link_test(address: int, sequence: int = 1) -> bytes:
    return encode_frame(request_frame(LinkTest(b"ab"), address, sequence))


def say(bus: VirtualBus, data: bytes, duration_ns: int = 30 * MS) -> bytes:
    bus.host.write(data)
    bus.kernel.run_until(bus.kernel.now_ns + duration_ns)
    return bus.host.take()


def other_settings(bus: VirtualBus, address: int) -> bytes:
    """Writes another neutral; returns the commit of it."""
    row = BY_NAME["neutral"]
    write = encode_frame(request_frame(Write(row.number, row.encode(77)), address, 5))
    say(bus, write)
    return encode_frame(request_frame(Commit(), address, 6))


def test_able_names_every_word(channel: SideChannel) -> None:
    words = channel.follow("able")["words"]
    assert words == ["able", "who", "heard", "jam", *COMMANDS]


def test_who_tells_label_uid_power_and_what_was_written(bus: VirtualBus, channel: SideChannel) -> None:
    channel.follow("unplug of Python")
    there = channel.follow("who")["actuators"]
    assert [(one["label"], one["is_powered"], one["written"]) for one in there] == [
        ("of Python", False, 0),
        ("of C", True, 0),
    ]
    assert [one["uid"] for one in there] == [one.uid.hex() for one in bus.actuators]


@BOTH
def test_what_a_commit_writes_is_counted_also_while_it_writes(
    bus: VirtualBus, channel: SideChannel, label: str, address: int
) -> None:
    commit = other_settings(bus, address)
    seen = []
    bus.host.write(commit)
    for _ in range(200):
        bus.kernel.run_until(bus.kernel.now_ns + MS // 5)
        seen.append(next(one["written"] for one in channel.follow("who")["actuators"] if one["label"] == label))
    assert seen == sorted(seen)
    assert seen[0] == 0
    assert seen[-1] > 30
    assert len(set(seen)) > 3, "it is not written byte by byte"


@BOTH
def test_cut_takes_the_power_in_that_byte(bus: VirtualBus, channel: SideChannel, label: str, address: int) -> None:
    commit = other_settings(bus, address)
    told = channel.follow(f'cut "{label}" 20')
    assert told == {"done": f"{label} loses power in byte 20 of what it stores next"}
    answer = say(bus, commit, 100 * MS)
    assert answer == commit  # the echo, and no answer
    (one,) = [one for one in channel.follow("who")["actuators"] if one["label"] == label]
    assert not one["is_powered"]
    assert one["written"] in {20, 21}  # the byte in which it was lost may count
    channel.follow(f"plug {label}")
    bus.kernel.run_until(bus.kernel.now_ns + 50 * MS)
    assert len(say(bus, link_test(address))) > len(link_test(address))


@BOTH
def test_a_cut_beyond_a_write_waits_for_the_next_ones(
    bus: VirtualBus, channel: SideChannel, label: str, address: int
) -> None:
    commit = other_settings(bus, address)
    say(bus, commit, 100 * MS)
    (size,) = [one["written"] for one in channel.follow("who")["actuators"] if one["label"] == label]
    channel.follow(f"cut {label} {size + 3}")
    say(bus, commit, 100 * MS)
    assert bus.labelled(label).is_powered
    say(bus, commit, 100 * MS)
    assert not bus.labelled(label).is_powered


@BOTH
def test_both_copies_spoiled_it_has_no_address(bus: VirtualBus, channel: SideChannel, label: str, address: int) -> None:
    say(bus, other_settings(bus, address), 100 * MS)
    with pytest.raises(ControlError, match="has power: unplug it"):
        channel.follow(f"spoil {label} 0 4")
    channel.follow(f"unplug {label}")
    for copy in (0, 1):
        assert channel.follow(f"spoil {label} {copy} 4")["done"] == f"byte 4 of copy {copy} of {label} is spoiled"
    channel.follow(f"plug {label}")
    bus.kernel.run_until(bus.kernel.now_ns + 50 * MS)
    assert bus.labelled(label).address == 240


def ask(bus: VirtualBus, message: Message, address: int) -> Message:
    """The answer to a request."""
    request = encode_frame(request_frame(message, address, 9))
    came = say(bus, request, 100 * MS).removeprefix(request)
    (frame,) = Decoder().feed(came)
    assert isinstance(frame, Frame)
    return message_of(frame)


@BOTH
@pytest.mark.parametrize("clock_us", [0, 1_000_000, 0xFFFF_FFFF])
def test_clock_starts_it_anew_with_its_clock_there(
    bus: VirtualBus, channel: SideChannel, label: str, address: int, clock_us: int
) -> None:
    say(bus, other_settings(bus, address), 100 * MS)
    row = BY_NAME["neutral"]
    ask(bus, Write(row.number, row.encode(-5)), address)
    done = channel.follow(f'clock "{label}" {clock_us}')["done"]
    assert done == f"{label} lost power and starts anew, its clock at {clock_us} us"
    one: object = bus.labelled(label)
    if isinstance(one, Device):
        assert one.clock_us == clock_us
        bus.kernel.run_until(bus.kernel.now_ns + 50 * MS)
        assert one.clock_us == (clock_us + 50_000) % (1 << 32)
    else:
        bus.kernel.run_until(bus.kernel.now_ns + 50 * MS)
    assert ask(bus, Read(Memory.WORKING, bytes([row.number])), address) == Values(row.encode(77)), "it has lost power"


@BOTH
@pytest.mark.parametrize("generation", [0, 1, 0x7FFF, 0x8000, 0xFFFF])
def test_generation_counts_the_writes_on(
    bus: VirtualBus, channel: SideChannel, label: str, address: int, generation: int
) -> None:
    say(bus, other_settings(bus, address), 100 * MS)
    channel.follow(f"unplug {label}")
    (before,) = [one["written"] for one in channel.follow("who")["actuators"] if one["label"] == label]
    done = channel.follow(f"generation {label} {generation}")["done"]
    assert done == f"the stored memory of {label} is of generation {generation}"
    (after,) = [one["written"] for one in channel.follow("who")["actuators"] if one["label"] == label]
    assert after == before, "a bench did that, the actuator wrote nothing"
    channel.follow(f"plug {label}")
    bus.kernel.run_until(bus.kernel.now_ns + 50 * MS)
    told = ask(bus, Describe(), address)
    assert isinstance(told, Description)
    assert told.generation == generation
    row = BY_NAME["neutral"]
    assert ask(bus, Read(Memory.STORED, bytes([row.number])), address) == Values(row.encode(77))
    assert ask(bus, Commit(), address) == Committed((generation + 1) % 0x10000)


@BOTH
def test_generation_needs_a_whole_copy(bus: VirtualBus, channel: SideChannel, label: str, address: int) -> None:
    say(bus, other_settings(bus, address), 100 * MS)
    channel.follow(f"unplug {label}")
    for copy in (0, 1):
        channel.follow(f"spoil {label} {copy} 4")
    with pytest.raises(ControlError, match=r"no copy of its stored memory is whole|did not give its stored copies"):
        channel.follow(f"generation {label} 7")


def test_generation_is_no_word_where_a_firmware_does_not_offer_it(
    bus: VirtualBus, channel: SideChannel, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "generation" in channel.follow("able")["words"]
    monkeypatch.setattr(device, "RENUMBER", "bp_device_that_is_not_there")
    assert "generation" not in channel.follow("able")["words"]
    channel.follow("unplug of C")
    with pytest.raises(ControlError, match="the firmware of 'of C' does not offer bp_device_that_is_not_there"):
        channel.follow("generation of C 7")
    channel.follow("unplug of Python")
    channel.follow("generation of Python 7")


def test_heard_tells_who_said_what_and_when(bus: VirtualBus, channel: SideChannel) -> None:
    bus.kernel.run_until(10 * MS)
    request = link_test(3)
    say(bus, request)
    asked, answered = channel.follow("heard 0")["heard"]
    assert asked == {"by": "host", "from_ns": 10 * MS, "to_ns": asked["to_ns"], "bytes": request.hex()}
    # 10 bits a byte at 115 200 Bd
    assert asked["to_ns"] - asked["from_ns"] == pytest.approx(len(request) * 10 / 115_200 * 1e9, abs=1)
    assert answered["by"] == "of Python"
    assert 100_000 <= answered["from_ns"] - asked["to_ns"] <= 132_000
    assert channel.follow(f"heard {asked['to_ns']}")["heard"] == [answered]
    assert channel.follow("heard 9e18")["heard"] == []


def test_what_is_remembered_has_an_end(bus: VirtualBus, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(side_channel, "KEPT", 3)
    channel = SideChannel(bus)
    for number in range(4):
        say(bus, link_test(3, number))
    heard = channel.follow("heard 0")["heard"]
    assert len(heard) == 3
    assert heard[-1]["by"] == "of Python"


def test_a_jam_follows_the_next_frame_of_the_host_and_jams_follow_each_other(
    bus: VirtualBus, channel: SideChannel
) -> None:
    assert channel.follow("jam 1500.5 5555")["done"] == "2 bytes 1500.5 us behind the next frame of the host"
    channel.follow("jam 20 33")
    bus.kernel.run_until(20 * MS)
    say(bus, b"\x00\x00")  # no frame yet
    say(bus, b"\x01\x02")  # not ended
    assert {one["by"] for one in channel.follow("heard 0")["heard"]} == {"host"}
    since_ns = bus.kernel.now_ns
    say(bus, link_test(9))  # no actuator is there
    asked, first, second = channel.follow(f"heard {since_ns}")["heard"]
    assert (first["by"], first["bytes"], first["from_ns"] - asked["to_ns"]) == ("", "5555", 1_500_500)
    assert (second["by"], second["bytes"]) == ("", "33")
    assert second["from_ns"] - first["to_ns"] == pytest.approx(20_000, abs=2)
    say(bus, link_test(9, 2))
    assert len(channel.follow(f"heard {since_ns}")["heard"]) == 4  # only once


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", "'' is no command; the commands are: able, who, heard, jam, plug"),
        ("fly", "'fly' is no command"),
        ("heard soon", "'soon': nanoseconds are wanted"),
        ("heard -1", "'-1': nanoseconds are wanted"),
        ("heard inf", "'inf': nanoseconds are wanted"),
        ("jam", "'': microseconds are wanted"),
        ("jam 1e9 55", "at most 1e+07"),
        ("jam 5", "'': 1..1024 bytes in hex are wanted"),
        ("jam 5 5", "'5': 1..1024 bytes in hex are wanted"),
        ("jam 5 " + "55" * 1025, "1..1024 bytes in hex are wanted"),
        ("unplug unknown", "there is no actuator 'unknown'"),
        ("cut of C", "there is no actuator 'of'"),
        ("cut of C -1", "'-1': a byte of 0..65535 is wanted"),
        ("cut of C 65536", "'65536': a byte of 0..65535 is wanted"),
        ("cut of C " + "9" * 5000, "a byte of 0..65535 is wanted"),
        ("jam " + "9" * 5000 + " 55", "at most 1e+07"),
        ("heard " + "9" * 5000, "nanoseconds are wanted"),
        ("spoil", "there is no actuator ''"),
        ("spoil of C 2 0", "has power"),
    ],
)
def test_what_cannot_be_followed_is_refused(bus: VirtualBus, channel: SideChannel, line: str, says: str) -> None:
    with pytest.raises(ControlError) as caught:
        channel.follow(line)
    assert says in str(caught.value)
    assert json.loads(channel.answer(line)) == {"refused": str(caught.value)}
    assert all(one.is_powered for one in bus.actuators)


@pytest.mark.parametrize(
    ("rest", "says"),
    [
        ("2 0", "'2': a copy of 0..1 is wanted"),
        ("x 0", "'x': a copy"),
        ("0 60000", "copy 0 of of C has no byte 60000"),
    ],
)
def test_memory_that_is_not_there_is_not_spoiled(channel: SideChannel, rest: str, says: str) -> None:
    channel.follow("unplug of C")
    with pytest.raises(ControlError, match=says):
        channel.follow(f"spoil of C {rest}")


# --- its port -----------------------------------------------------------------------------------------------------


@pytest.fixture
def port(channel: SideChannel) -> Iterator[SidePort]:
    made = SidePort(channel, "127.0.0.1", 0)
    yield made
    made.close()


def connected(port: SidePort) -> socket.socket:
    host, _, number = port.name.rpartition(":")
    client = socket.create_connection((host, int(number)))
    client.settimeout(60)
    port.attend([port.sources()[0]])
    return client


def channel_says(client: socket.socket) -> bytes:
    """What comes next; nothing where it was let go, also in the middle of what it said."""
    try:
        return client.recv(100)
    except ConnectionError:
        return b""


def test_several_programs_at_once_each_gets_its_own_answers(bus: VirtualBus, port: SidePort) -> None:
    with connected(port) as one, connected(port) as other:
        one.sendall(b"unplug of Py")
        port.attend([port.sources()[1]])
        assert bus.labelled("of Python").is_powered  # half a line is none
        other.sendall(b"supply 6\nfly\n")
        port.attend([port.sources()[2]])
        answers = [json.loads(line) for line in other.makefile("rb").readline().splitlines()]
        assert answers == [{"done": "the supply is 6 V", "now_ns": 0}]
        one.sendall(b"thon\n")
        port.attend([port.sources()[1]])
        assert json.loads(one.makefile("rb").readline())["done"] == "of Python is unplugged"
    assert not bus.labelled("of Python").is_powered


def test_one_that_goes_or_never_ends_its_line_is_let_go(port: SidePort) -> None:
    with connected(port):
        assert len(port.sources()) == 2
    port.attend([port.sources()[1]])
    assert len(port.sources()) == 1
    with connected(port) as client:
        client.sendall(b"x" * 20_000)
        while len(port.sources()) == 2:
            port.attend([port.sources()[1]])
        assert not channel_says(client)


def test_two_thousand_connections_leave_room_for_those_that_ask(bus: VirtualBus, port: SidePort) -> None:
    with contextlib.ExitStack() as stack:
        kept = [stack.enter_context(connected(port)) for _ in range(server.MAX_SIDE_PROGRAMS)]
        for _ in range(2000 - server.MAX_SIDE_PROGRAMS):
            with connected(port) as client:
                assert json.loads(channel_says(client)) == {"refused": "64 programs are connected already"}
        assert len(port.sources()) == 1 + server.MAX_SIDE_PROGRAMS
        kept[5].sendall(b"supply 6\n")
        port.attend(port.sources())
        assert json.loads(channel_says(kept[5]))["done"] == "the supply is 6 V"
        kept.pop().close()
        port.attend(port.sources())
        with connected(port) as client:
            client.sendall(b"supply 7\n")
            port.attend(port.sources())
            assert json.loads(channel_says(client))["done"] == "the supply is 7 V"


def test_the_port_does_not_wait_for_a_client_that_does_not_read_its_answers(
    port: SidePort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Much is owed to it, so it is asked nothing more, and gets it all when it reads; too much, and it is let go."""
    monkeypatch.setattr(SideChannel, "answer", lambda *_: "x" * (5 << 20))
    with connected(port) as client:
        client.sendall(b"heard 0\n")
        port.attend(port.sources())
        (owed,) = port.behind()
        assert port.sources() == [port.sources()[0]]
        lines = client.makefile("rb")
        got = 0
        while got < 5 << 20:
            got += len(lines.read1())
            port.attend([owed])
        assert not port.behind()
        client.sendall(b"heard 0\nheard 0\nheard 0\n")
        port.attend(port.sources())
        assert len(port.sources()) == 1


def test_a_port_that_is_taken_is_an_error(channel: SideChannel, port: SidePort) -> None:
    with pytest.raises(SimError, match=r"cannot listen at 127\.0\.0\.1"):
        SidePort(channel, "127.0.0.1", int(port.name.rpartition(":")[2]))
