"""Our waveforms, decoded by sigrok-cli: it must read what the simulator says was received."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import pytest

from busproto.sim.bus import VirtualBus
from busproto.sim.line.hearing import Ear, Reception
from busproto.sim.line.receiver import Receiver
from busproto.sim.line.waveform import bits_ns, half_bits_ns, level_at, of_bytes, rate_of, wired_and
from busproto.sim.scene.scenario import parse
from busproto.sim.wave_out import begin_recording, host_edges, write_vcd
from busproto.wire import Decoder, Frame, encode_frame, message_of, request_frame
from busproto.wire import messages as m
from busproto.wire.crc import CrcModel
from tests.cli.helpers import run_process
from tests.outside import sigrok

pytestmark = pytest.mark.needs_sigrok
RATE = rate_of(sigrok.BAUD)
IDLE_BITS = 20
MS = 1_000_000


@pytest.fixture(autouse=True)
def _tool() -> None:
    sigrok.require()


def sampled(path: Path, edges: list[int], bits: int) -> Path:
    """The waveform at 100 samples a bit, each taken in the middle of its period."""
    rate = 2 * sigrok.BAUD * sigrok.SAMPLES_PER_BIT
    moments = (int(Fraction((2 * number + 1) * 10**9, rate)) for number in range(bits * sigrok.SAMPLES_PER_BIT))
    return sigrok.raw_file(path, bytes(level_at(edges, moment) for moment in moments))


def sent(data: bytes, *, even_parity: bool = False) -> list[int]:
    return of_bytes(bits_ns(IDLE_BITS, RATE), data, RATE, even_parity=even_parity)


# --- single waveforms ------------------------------------------------------------------------------------------


def test_the_timing_of_bytes(tmp_path: Path) -> None:
    """20 idle bits, then 02 07 41 12: data bits span samples 2100 to 2900, those of each next byte 1000 more."""
    file = sampled(tmp_path / "wave", sent(bytes.fromhex("02 07 41 12")), IDLE_BITS + 50)
    decoder = f"uart:rx=0:baudrate={sigrok.BAUD}"
    assert sigrok.decode(file, sigrok.RAW, decoder, "uart=rx-data:rx-warnings") == [
        (2100, 2900, "02"),
        (3100, 3900, "07"),
        (4100, 4900, "41"),
        (5100, 5900, "12"),
    ]


def test_the_timing_of_bytes_with_parity(tmp_path: Path) -> None:
    """The same with even parity: the data bits of each next byte come 1100 samples later."""
    file = sampled(tmp_path / "wave", sent(bytes.fromhex("02 07 41 12"), even_parity=True), IDLE_BITS + 60)
    decoder = f"uart:rx=0:baudrate={sigrok.BAUD}:parity=even"
    assert sigrok.decode(file, sigrok.RAW, decoder, "uart=rx-data:rx-parity-err:rx-warnings") == [
        (2100, 2900, "02"),
        (3200, 4000, "07"),
        (4300, 5100, "41"),
        (5400, 6200, "12"),
    ]


def test_two_that_speak_at_once(tmp_path: Path) -> None:
    """0x55 and 0x33, aligned, are 0x11 on a wired AND, with no framing error."""
    file = sampled(tmp_path / "wave", wired_and([sent(b"\x55"), sent(b"\x33")]), IDLE_BITS + 20)
    decoder = f"uart:rx=0:baudrate={sigrok.BAUD}"
    found = sigrok.decode(file, sigrok.RAW, decoder, "uart=rx-data:rx-warnings")
    assert sigrok.bytes_and_framing_errors(found) == [(0x11, False)]


def test_a_request_of_another_protocol(tmp_path: Path) -> None:
    """11 03 00 6B 00 03 with the check bytes 76 87: read whole by a Modbus decoder, its CRC found correct.

    The check is made by the code that makes ours, from the model of MODBUS over Serial Line V1.02 (from memory).
    """
    request = bytes.fromhex("11 03 00 6B 00 03")
    check = CrcModel(16, 0x18005, 0xFFFF, 0, is_reflected=True).function()(request).to_bytes(2, "little")
    assert check == bytes.fromhex("76 87")
    file = sampled(tmp_path / "wave", sent(request + check), IDLE_BITS + 150)
    found = sigrok.decode(file, sigrok.RAW, f"uart:tx=0:baudrate={sigrok.BAUD},modbus", "modbus")
    assert [text for _, _, text in found] == [
        "Slave ID: 17",
        "Function 3: Read Holding Registers",
        "Start at address 0x6B / 30108",
        "Read 3 units of data",
        "CRC correct",
    ]


# --- whole runs ------------------------------------------------------------------------------------------------


class Watched:
    """A bus that is recorded, with two actuators at one address and one at another, and what its host received."""

    def __init__(self, line: str = "", baud: int = sigrok.BAUD, seed: int = 0) -> None:
        self.bus: VirtualBus = parse(f"""
            title = "watched"
            [line]
            {line}
            [model.m]
            [[actuator]]
            label = "first"
            model = "m"
            address = 5
            [[actuator]]
            label = "second"
            model = "m"
            address = 5
            [[actuator]]
            label = "odd"
            model = "m"
            address = 6
            baud = {baud}
        """).build(seed)
        begin_recording(self.bus)
        self._receptions: list[Reception] = []
        heard_alike, heard_apart = self.bus.host.heard_alike, self.bus.host.heard_apart

        def alike(reception: Reception, but: Sequence[Ear]) -> None:
            if not but:
                self._receptions.append(reception)
            heard_alike(reception, but)

        def apart(ear: Ear, reception: Reception) -> None:
            self._receptions.append(reception)
            heard_apart(ear, reception)

        self.bus.host.heard_alike = alike  # type: ignore[method-assign]
        self.bus.host.heard_apart = apart  # type: ignore[method-assign]
        self.run(1)

    def run(self, ms: int) -> None:
        self.bus.kernel.run_until(self.bus.kernel.now_ns + ms * MS)

    def ask(self, address: int) -> None:
        self.bus.host.write(encode_frame(request_frame(m.Report(), address, 1)))
        self.run(9)

    @property
    def heard(self) -> list[tuple[int, bool]]:
        """Bytes at the host, each with whether its stop bit was low."""
        heard: list[tuple[int, bool]] = []
        for one in self._receptions:
            heard += [(byte.value, byte.framing_error) for byte in one.details] or [(byte, False) for byte in one.data]
        assert bytes(value for value, _ in heard) == self.bus.host.take()
        return heard

    @property
    def is_clear_cut(self) -> bool:
        """Whether no edge lies nearer than 20 ns to where a bit is sampled, in bytes and in start bits too short."""
        edges = host_edges(self.bus)
        received, _ = Receiver(sigrok.BAUD).receive(edges, 10**12)
        samples = [byte.start_ns + half_bits_ns(2 * bit + 1, RATE) for byte in received for bit in range(10)]
        for fall in edges[::2]:
            if not any(byte.start_ns <= fall < byte.end_ns for byte in received):
                samples.append(fall + half_bits_ns(1, RATE))
        return not any(bisect_left(edges, at - 20) != bisect_right(edges, at + 20) for at in samples)

    def decoded(self, path: Path) -> list[tuple[int, bool]]:
        """The same as sigrok-cli reads it from the file of the waveform, 10 ns a sample."""
        with path.open("w", encoding="utf-8") as out:
            assert write_vcd(self.bus, out) > 0
        decoder = f"uart:rx=host_sees:baudrate={sigrok.BAUD}"
        return sigrok.bytes_and_framing_errors(
            sigrok.decode(path, "vcd:downsample=10", decoder, "uart=rx-data:rx-warnings")
        )


@pytest.mark.parametrize("seed", range(3))
def test_a_clean_run(seed: int, tmp_path: Path) -> None:
    watched = Watched(seed=seed)
    watched.ask(6)
    watched.ask(6)
    heard = watched.heard
    assert (len(heard), any(error for _, error in heard)) == (2 * (14 + 36), False)
    assert watched.decoded(tmp_path / "clean.vcd") == heard


@pytest.mark.parametrize("kind", ["open-drain", "differential"])
def test_runs_in_which_two_answer_at_once(kind: str, tmp_path: Path) -> None:
    """Runs in which an edge lies nearer than two samples to where a bit is sampled are no test: either is right."""
    compared = 0
    for seed in range(40):
        watched = Watched(f'kind = "{kind}"', seed=seed)
        watched.ask(5)
        watched.ask(5)
        heard = watched.heard
        assert watched.bus.line.overlaps == 2
        if watched.is_clear_cut and compared < 4 and any(error for _, error in heard):
            compared += 1
            assert watched.decoded(tmp_path / f"{seed}.vcd") == heard
    assert compared == 4


@pytest.mark.parametrize("baud", [57_600, 250_000])
@pytest.mark.parametrize("seed", range(3))
def test_a_run_in_which_one_has_a_wrong_rate(seed: int, baud: int, tmp_path: Path) -> None:
    watched = Watched(baud=baud, seed=seed)
    odd = watched.bus.labelled("odd")
    said = watched.bus.kernel.stream("said").randbytes(40)
    watched.bus.line.transmit(odd, said, rate=rate_of(baud, odd.clock_ppm))
    watched.run(9)
    heard = watched.heard
    assert any(error for _, error in heard)
    assert bytes(value for value, _ in heard) != said
    assert watched.decoded(tmp_path / "rate.vcd") == heard


def test_a_run_under_noise(tmp_path: Path) -> None:
    """What was flipped for the host alone stands in what the host sees, and nowhere else."""
    watched = Watched(seed=4)
    watched.bus.line.add_noise(0.1)
    for _ in range(4):
        watched.ask(6)
    heard = watched.heard
    assert any(error for _, error in heard)
    assert watched.decoded(tmp_path / "noise.vcd") == heard


def test_the_file_of_the_command(tmp_path: Path) -> None:
    """A whole search on a shipped scenario: what the host drove are good requests only, a roll call first."""
    file = tmp_path / "search.vcd"
    done = run_process(["wave", "bench-four", "--vcd", str(file), "--seed", "1"])
    assert (done.returncode, done.stderr) == (0, "")
    decoder = f"uart:rx=host_drives:baudrate={sigrok.BAUD}"
    found = sigrok.decode(file, "vcd:downsample=100", decoder, "uart=rx-data:rx-warnings")
    said = sigrok.bytes_and_framing_errors(found)
    assert not any(error for _, error in said)
    frames = list(Decoder().feed(bytes(value for value, _ in said)))
    requests = [message_of(frame) for frame in frames if isinstance(frame, Frame)]
    assert len(requests) == len(frames) >= 4
    assert isinstance(requests[0], m.RollCall)
