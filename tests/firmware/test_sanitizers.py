"""The C under the address and undefined-behaviour sanitizers, in a process of its own: a search and a conversation."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

from busproto.sim.native.device_build import SANITIZERS, NoCompilerError, codec_library, reference_library
from tests.firmware import needs

needs.compiler_and_cffi()

ROOT: Final = Path(__file__).parents[2]
PATIENCE_S: Final = 600


@functools.cache
def runtime() -> str | None:
    """The sanitizer's own library, which must be loaded before all others; None where there is none."""
    compiler = shutil.which("gcc")
    if compiler is None:
        return None
    asked = subprocess.run([compiler, "-print-file-name=libasan.so"], capture_output=True, text=True, check=True)
    path = Path(asked.stdout.strip())
    if not path.is_absolute() or not path.exists():
        return None
    try:
        reference_library(SANITIZERS, compiler)
    except NoCompilerError:
        return None
    return str(path)


def under_sanitizers(code: str) -> None:
    """Run Python code in which the C that is built has the sanitizers in it."""
    preload = runtime()
    if preload is None:
        pytest.skip("the compiler here has no sanitizers")
    assert preload is not None
    environment = {**os.environ, "LD_PRELOAD": preload, "ASAN_OPTIONS": "detect_leaks=0", "PYTHONMALLOC": "malloc"}
    begin = (
        "import busproto.sim.native.device_build as build, busproto.sim.native.device_library as library\n"
        f"codec, device = build.codec_library({SANITIZERS!r}, 'gcc'), build.reference_library({SANITIZERS!r}, 'gcc')\n"
        "library.reference_library = lambda: device\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", begin + code],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "through\n"


def test_a_bad_access_would_be_seen() -> None:
    """The sanitizers do work here: a frame that claims more payload than there is room for, by hand."""
    preload = runtime()
    if preload is None:
        pytest.skip("the compiler here has no sanitizers")
    code = (
        "from cffi import FFI\nimport busproto.sim.native.device_build as build\nffi = FFI()\n"
        "ffi.cdef('uint32_t bp_crc24_add(uint32_t so_far, const uint8_t *data, size_t length);')\n"
        f"lib = ffi.dlopen(str(build.codec_library({SANITIZERS!r}, 'gcc')))\n"
        "lib.bp_crc24_add(0, ffi.new('uint8_t[]', 8), 4000)\n"
    )
    environment = {**os.environ, "LD_PRELOAD": str(preload), "ASAN_OPTIONS": "detect_leaks=0", "PYTHONMALLOC": "malloc"}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert done.returncode != 0
    assert "heap-buffer-overflow" in done.stderr


def test_the_codec_with_random_bytes() -> None:
    under_sanitizers(
        """
import random
from busproto.wire.definition.generate import describe
from busproto.wire.message import OPERATIONS
from busproto.wire import Frame, encode_frame
from tests.firmware.generated.codec import CReceiver, Codec
from tests.independent.codec import framed
from tests.strategies import MESSAGE_CLASSES
made, rng = Codec(codec), random.Random(1)
for _ in range(3000):
    receiver = CReceiver(made)
    body = bytearray(rng.randbytes(rng.randrange(1, 122)))
    body[0] = rng.choice((0x20, 0x30, body[0]))
    if len(body) > 1 and rng.random() < 0.8:
        body[1] = max(0, len(body) - (6 if body[0] == 0x20 else 8)) & 0xFF
    if len(body) > 5 and rng.random() < 0.9:
        body[5] = rng.choice(list(OPERATIONS))
    for byte in framed(bytes(body)) + rng.randbytes(300):
        got = receiver.byte(byte)
        if isinstance(got, Frame):
            made.unpack_any(got)
    for kind in MESSAGE_CLASSES:
        got = made.unpack(kind, rng.randbytes(rng.randrange(113)))
        if not isinstance(got, str):
            assert made.pack(kind, made.fill(got)) == got.payload()
print('through')
"""
    )


def test_the_firmware_in_a_conversation_and_a_search() -> None:
    under_sanitizers(
        """
import random
from busproto.ops import commit, find
from tests.firmware.benches import device_box
from busproto.conformance.conversation.draw import MIXES
from busproto.conformance.conversation.run import Talks
from busproto.conformance.targets import REFERENCE, InProcess
talks = Talks(InProcess(REFERENCE), 5)
for mix in MIXES:
    talks.run(mix, 375)
made = device_box(3)
for number in range(6):
    made.device(number + 1, clock_ppm=1000 * number)
made.noise(3e-3)
made.run(find(rng=random.Random(1)))
device = made.device(9, 9, correction=tuple(range(33)))
for cut in (0, 20, 60, 100):
    device.power_off_while_writing(cut)
    try:
        made.run(commit(9))
    except Exception:
        pass
    made.pass_time(100_000_000)
    device.power_on()
    made.pass_time(10_000_000)
assert device.address == 9
print('through')
"""
    )


def test_they_are_built_apart_from_the_plain_ones() -> None:
    assert codec_library() == codec_library()
    if runtime() is not None:
        assert reference_library(SANITIZERS, shutil.which("gcc")) != reference_library()


def test_the_whole_conformance_suite_is_clean() -> None:
    preload = runtime()
    if preload is None:
        pytest.skip("the compiler here has no sanitizers")
    library = reference_library(SANITIZERS, "gcc")
    environment = {**os.environ, "LD_PRELOAD": str(preload), "ASAN_OPTIONS": "detect_leaks=0", "PYTHONMALLOC": "malloc"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", f"--dut={library}", "--dut-soak=60"],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert "runtime error" not in done.stdout + done.stderr
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert " 0 failed, 0 not checked" in done.stdout
