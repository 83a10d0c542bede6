"""A port that goes away in mid-command: exit code 1, and one line that tells what had been done until then."""

from __future__ import annotations

import gc
from typing import Final

import pytest

from busproto.cli import exit_codes
from busproto.transport import SerialTransport
from busproto.wire import Decoder, Frame, message_of
from busproto.wire.messages import Describe, Read, State, Write
from tests.cli.helpers import PATIENCE_S, Bench, CommandLine, make_bench, running_bus

BENCH: Final = "--port sim://bench-four?seed=1"
FRESH: Final = "b0a7000000000102"
NOTHING: Final = "; no change had been confirmed. "
ADVICE: Final = "Look at the port, then run the command again"
MANY: Final = 90

SET: Final = "set 3 neutral=2 gang=1 --store"
GIVE: Final = f"address {FRESH} 4 --channel 4"


def true_claims(bench: Bench) -> dict[str, bool]:
    """Everything that the commands of this file could claim to have done, and whether it is so."""
    old, new = bench.actuator("addressed"), bench.actuator("fresh")
    return {
        "address 3: neutral 2.00 deg in working memory": old.settings.raw("neutral") == 200,
        "address 3: gang 1 in working memory": old.settings.raw("gang") == 1,
        "address 3: settings stored": old.settings.stored()["gang"] == 1,
        f"{FRESH} has address 4": new.address == 4,
        "address 4: channel 4 in working memory": new.settings.raw("channel") == 4,
        "address 4: settings stored": new.settings.stored()["channel"] == 4,
    }


@pytest.mark.parametrize(
    ("command", "lasting"),
    [
        ("find --seed 1", 0),
        ("show", 0),
        ("show 3", 0),
        (GIVE, 3),
        (SET, 2),
    ],
)
def test_wherever_it_goes_away_it_is_told_what_was_done(
    command: str, lasting: int, cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[list[str]] = []
    for number in range(MANY):
        bench = make_bench(monkeypatch)
        before = bench.settings()
        bench.vanish_at(number)
        result = cli(f"{command} {BENCH}")
        if result.code != exit_codes.FAILED:
            break
        assert bench.closed == 1
        assert result.out == ""
        line = result.error_line
        assert line.startswith("port 'sim://bench-four' went away: device disconnected; ")
        assert ADVICE in line
        claims = [text for text in true_claims(bench) if text in line]
        assert all(true_claims(bench)[text] for text in claims)
        if not bench.changing:
            assert NOTHING in line
            assert claims == []
            assert bench.settings() == before
        if claims:
            assert f"; done until then: {', '.join(claims)}. " in line
        told.append(claims)
    assert result.code in {exit_codes.DONE, exit_codes.NOT_AS_WANTED}
    assert len(told) == len(bench.frames)  # it was tried at every single frame
    assert [len(claims) for claims in told] == sorted(len(claims) for claims in told)
    assert len(told[-1]) == lasting


@pytest.mark.parametrize("command", [GIVE, SET, "set 3 --undo factory", "move 3 25% --clear"])
def test_it_claims_no_more_than_it_knows(command: str, cli: CommandLine, monkeypatch: pytest.MonkeyPatch) -> None:
    """A change that was sent but not read back is neither called done nor denied."""
    for number in range(MANY):
        bench = make_bench(monkeypatch)
        bench.vanish_at(number)
        result = cli(f"{command} {BENCH}")
        if result.code != exit_codes.FAILED:
            return
        assert (NOTHING in result.err) != ("; done until then: " in result.err)
        assert "nothing had been changed" not in result.err
    pytest.fail("the command never came to its end")


def test_as_json(cli: CommandLine, bench: Bench) -> None:
    bench.vanish_at(8)
    result = cli(f"{SET} {BENCH} --json")
    assert result.code == exit_codes.FAILED
    assert result.json == {
        "error": {
            "kind": "PortClosedError",
            "text": "port 'sim://bench-four' went away: device disconnected; done until then: address 3: neutral 2.00 "
            f"deg in working memory, address 3: gang 1 in working memory. {ADVICE}",
            "exit_code": 1,
        }
    }


def test_an_arm_that_was_moving_is_not_passed_over_in_silence(cli: CommandLine, bench: Bench) -> None:
    bench.vanish_at(8)
    result = cli(f"move 3 25% --clear {BENCH}")
    assert result.code == exit_codes.FAILED
    assert bench.actuator("addressed").state is State.SOFT_STARTING
    last = result.err.splitlines()[-1]
    assert last.startswith("busproto: port 'sim://bench-four' went away")
    assert "; could not be released: address 3 (its loss action is hold). Take the pack off" in last


def test_what_was_done_is_told_for_other_errors_too(cli: CommandLine, bench: Bench) -> None:
    """The actuator loses power between two settings."""

    def unplug(_: int) -> None:
        asked = [type(one) for one in bench.requests]
        if asked.count(Write) == 1 and asked[-1] is Read:  # the first one is read back
            bench.actuator("addressed").power_off()

    bench.before_write = unplug
    result = cli(f"{SET} {BENCH}")
    assert result.code == exit_codes.FAILED
    line = result.error_line
    assert "no reply from the actuator at address 3 (03 hex) after 4 attempts" in line
    assert line.endswith("; done until then: address 3: neutral 2.00 deg in working memory")


@pytest.mark.parametrize("frame", [0, 2, 5])
def test_what_was_done_is_told_on_an_interrupt_too(frame: int, cli: CommandLine, bench: Bench) -> None:
    def interrupt(number: int) -> None:
        if number == frame:
            raise KeyboardInterrupt

    bench.before_write = interrupt
    result = cli(f"{SET} {BENCH}")
    assert result.code == exit_codes.INTERRUPTED
    done = "; done until then: address 3: neutral 2.00 deg in working memory" if frame > 4 else ""
    assert result.err == f"\nbusproto: interrupted{done}\n"


@pytest.mark.realtime
@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")
@pytest.mark.parametrize("behind", [["--pty"], ["--tcp", "127.0.0.1:0"]], ids=["pty", "tcp"])
@pytest.mark.parametrize(
    ("command", "told"),
    [("show 3", "no change had been confirmed"), (f"address {FRESH} 4", f"done until then: {FRESH} has address 4")],
)
def test_a_bus_that_dies_in_the_middle(
    command: str, told: str, behind: list[str], cli: CommandLine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process of the bus is killed when it is about to be asked what the actuator is."""
    with running_bus("bench-four", *behind) as (process, first_line):
        port = first_line.removeprefix("port: ").strip()
        write = SerialTransport.write

        def killing(self: SerialTransport, data: bytes) -> None:
            frames = [found for found in Decoder().feed(data) if isinstance(found, Frame)]
            if any(isinstance(message_of(frame), Describe) for frame in frames):
                process.kill()
                process.wait(PATIENCE_S)
            write(self, data)

        monkeypatch.setattr(SerialTransport, "write", killing)
        result = cli(f"{command} --port {port}")
    gc.collect()  # pyserial does not close a socket whose other end has gone: let that be said here
    assert result.code == exit_codes.FAILED
    assert result.out == ""
    assert result.error_line.startswith(f"port '{port}' went away: ")
    # a given address leaves it limp by the format, but it was not seen
    not_seen = "; could not be released: address 4. Take the pack off before you touch anything they move"
    assert result.error_line.endswith(f"; {told}. {ADVICE}{not_seen if command.startswith('address') else ''}")
