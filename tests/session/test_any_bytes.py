"""Whatever comes back, whenever: an exchange never raises and is settled by its deadline."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from busproto.session import Ask, Expect, Heard, Session, SessionState, Verdict
from busproto.wire import decode_frame, encode_frame, reply_frame
from busproto.wire.frame import MAX_WIRE_BYTES
from busproto.wire.messages import LinkTest, LinkTested, Release

BYTE_NS = 10_000
WINDOW_NS = 2_000_000
LATENCY_NS = 1_000_000
ECHO, REPLY, OTHER, STALE = b"<echo>", b"<reply>", b"<other>", b"<stale>"
"""Stand in the pieces below for whole frames that are known only once the request is."""

pieces = st.lists(
    st.tuples(
        st.binary(max_size=40) | st.sampled_from([b"\x00", b"\x00\x00", ECHO, REPLY, OTHER, STALE, bytes(200)]),
        st.integers(0, 900_000),
    ),
    max_size=12,
)
asks = st.builds(
    Ask,
    st.just(LinkTest(b"abc")),
    st.sampled_from([5, 0xFF]),
    st.sampled_from(list(Expect)),
    source=st.sampled_from([None, 5]),
    window_ns=st.just(WINDOW_NS),
    idle_ns_per_byte=st.sampled_from([0, 1_000]),
    quiet_ns=st.sampled_from([0, 600_000]),
    listen_out=st.booleans(),
)


def filled(piece: bytes, wire: bytes) -> bytes:
    """The bytes that a piece stands for."""
    to = decode_frame(wire)
    reply = encode_frame(reply_frame(LinkTested(b"abc"), to, 5, 0x1111))
    other = encode_frame(reply_frame(LinkTested(b"abc"), to, 5, 0x2222))
    stale = encode_frame(reply_frame(Release(), to, 9, 0x3333))
    return {ECHO: wire, REPLY: reply, OTHER: other, STALE: stale}.get(piece, piece)


@dataclass
class Ran:
    """One exchange as a pump would run it; the latest of the deadlines that it had."""

    wire: bytes
    came: bytes
    heard: Heard
    latest_ns: int
    last_came_ns: int


def run(session: Session, ask: Ask, rest: list[tuple[bytes, int]], cut: int) -> Ran:
    wire = session.begin(ask, 0)
    session.sent(0)
    now_ns = 0
    came = b""
    latest_ns, last_came_ns = session.deadline_ns, 0
    for piece, after_ns in rest:
        if session.state is not SessionState.LISTENING or now_ns + after_ns >= session.deadline_ns:
            break
        now_ns += after_ns
        data = filled(piece, wire)
        for part in (data[:cut], data[cut:]):
            if part and session.state is SessionState.LISTENING:
                session.heard(part, now_ns)
                came += part
                last_came_ns = now_ns
                latest_ns = max(latest_ns, session.deadline_ns)
    if session.state is SessionState.LISTENING:
        session.expire(max(now_ns, session.deadline_ns))
    assert session.state is SessionState.SETTLED
    return Ran(wire, came, session.take(), latest_ns, last_came_ns)


@given(asks, pieces, st.integers(0, 50), st.sampled_from([None, False, True]))
def test_any_bytes_at_any_time_settle_by_the_deadline(
    ask: Ask, rest: list[tuple[bytes, int]], cut: int, echoes: bool | None
) -> None:
    session = Session(baud=1_000_000, latency_ns=LATENCY_NS)
    session.echoes = echoes
    ran = run(session, ask, rest, cut)
    heard = ran.heard
    assert session.state is SessionState.IDLE
    assert heard.ended_ns <= ran.latest_ns
    assert heard.raw == (ran.came.removeprefix(ran.wire) if ran.came.startswith(ran.wire) else ran.came)
    assert sum(session.counts.values()) == 1 + heard.stale
    assert bool(heard.replies) == (heard.verdict in {Verdict.ANSWERED, Verdict.CROWDED}) or ask.expect is Expect.BYTES
    for frame in heard.replies:
        assert encode_frame(frame) in ran.came
        assert (frame.sequence, frame.operation) == (heard.sequence, LinkTest.OPERATION)
    assert set(heard.strays) <= set(ran.came)
    assert 0 not in heard.strays
    if heard.verdict is Verdict.ANSWERED and ask.expect is Expect.ONE:
        assert len(heard.replies) == 1
        assert not heard.strays
    # what the deadline may grow to: one reply is bounded for good, a window by the bytes heard and when the last came
    bound_ns = BYTE_NS * len(ran.wire) + LATENCY_NS + WINDOW_NS
    if ask.expect in {Expect.WINDOW, Expect.BYTES}:
        bound_ns = round(1.02 * (bound_ns + len(ran.came) * (BYTE_NS + ask.idle_ns_per_byte))) + 2 * BYTE_NS
        bound_ns = max(bound_ns, ran.last_came_ns + LATENCY_NS + ask.quiet_ns)
    else:
        bound_ns += BYTE_NS * MAX_WIRE_BYTES
    assert ran.latest_ns <= bound_ns


@given(asks, pieces, pieces, st.integers(0, 50))
def test_nothing_of_one_exchange_reaches_the_next(
    ask: Ask, rest: list[tuple[bytes, int]], later: list[tuple[bytes, int]], cut: int
) -> None:
    """The second of two exchanges comes out as it would alone, but for its number and what was learned of the echo."""
    session = Session(baud=1_000_000)
    run(session, ask, rest, cut)
    alone = Session(baud=1_000_000, first_sequence=1)
    alone.echoes = session.echoes
    assert run(session, ask, later, cut).heard == run(alone, ask, later, cut).heard


@given(st.lists(st.binary(min_size=1, max_size=8), max_size=8), st.booleans())
def test_the_good_reply_is_found_behind_any_noise_that_ends_in_a_delimiter(noise: list[bytes], echo: bool) -> None:
    session = Session(baud=1_000_000)
    wire = session.begin(Ask.one(LinkTest(b"abc"), 5), 0)
    session.sent(0)
    session.heard(wire if echo else b"\x00", 1)
    for piece in noise:
        session.heard(piece.replace(b"\x00", b"\x01"), 2)
    session.heard(b"\x00" + filled(REPLY, wire), 3)
    heard = session.take()
    assert len(heard.replies) == 1
    assert heard.verdict is (Verdict.CROWDED if noise else Verdict.ANSWERED)
