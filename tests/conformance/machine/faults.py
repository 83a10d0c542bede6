"""The mutants: what they are made of, drawing and building them, and whether the compiler sees a difference."""

from __future__ import annotations

import random
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from busproto.sim.native.device_build import NoCompilerError, compile_files, firmware_texts
from busproto.sim.native.device_library import FUNCTIONS
from busproto.wire.generators.c_messages import c_name, classes
from busproto.wire.generators.c_source import sources
from busproto.wire.message import OPERATIONS
from tests.conformance.machine.operators import Slip, slips
from tests.conformance.machine.shapes import Shapes, below, parsed, said
from tests.conformance.seeded import WEAVE_FLAGS
from tests.mutation.draw import drawn
from tests.mutation.operators import Mutant

BY_HAND: Final = "sim/firmware"
GENERATED: Final = "generated"
"""Folders of the two kinds of text, as the names of mutants begin; the second is none on disk."""
INTERFACE: Final = "bp_port.h"
"""Shared with the harness, which was not built anew: a slip in it would be one of the harness."""
CODEC_SHARE: Final = 0.1
REFUSED: Final = (
    "-Werror=int-conversion",
    "-Werror=incompatible-pointer-types",
    "-Werror=implicit-function-declaration",
)
"""What no compiler of the house lets pass: so a swap of a pointer and a number is no mutant."""
QUICK: Final[tuple[str, ...]] = ("-O2", "-flto")
THOROUGH: Final[tuple[str, ...]] = ("-O3", "-flto")
"""Compiled as a whole, with nothing but the interface to be seen, so that what is never called is left out."""
Place = tuple[str, int, int]


@dataclass(frozen=True)
class Texts:
    """The C texts by the name of the file, and where each stands."""

    by_name: Mapping[str, str]
    generated: frozenset[str]

    @classmethod
    def of_the_firmware(cls) -> Texts:
        """Those of the reference firmware."""
        return cls(firmware_texts(), frozenset(sources()))

    def path(self, name: str) -> str:
        """As mutants name it."""
        return f"{GENERATED if name in self.generated else BY_HAND}/{name}"

    def with_mutant(self, mutant: Mutant) -> dict[str, str]:
        """All texts, one of them with the slip in it."""
        return {**self.by_name, mutant.path.rpartition("/")[2]: mutant.source}

    def places(self, *, generated: bool) -> dict[Place, list[Slip]]:
        """What can slip, by its place: of the generated codec or of what was written by hand.

        Of the codec an actuator packs no request and reads no reply: those functions, which no frame reaches, are left
        out.
        """
        shapes = Shapes.of(self.by_name.values())
        found: dict[Place, list[Slip]] = defaultdict(list)
        for name, text in self.by_name.items():
            if (name in self.generated) != generated or name == INTERFACE:
                continue
            closed = list(_host_only(text)) if generated else []
            for slip in slips(text, shapes):
                if not any(slip.start in one for one in closed):
                    found[name, slip.start, slip.end].append(slip)
        return found


def _host_only(text: str) -> Iterator[range]:
    """Where the functions stand that only a host needs."""
    requests = {c_name(one.request) for one in OPERATIONS.values()}
    replies = {c_name(one) for one in classes()} - requests
    names = {f"bp_pack_{one}" for one in requests} | {f"bp_unpack_{one}" for one in replies}
    for node in below(parsed(text)):
        declarator = node.child_by_field_name("declarator")
        if node.type == "function_definition" and said(declarator).partition("(")[0] in names:
            yield range(node.start_byte, node.end_byte)


def sampled(texts: Texts, count: int, seed: int, codec_share: float = CODEC_SHARE) -> list[Mutant]:
    """So many mutants, evenly over the places, at most one a place: this share of them of the generated codec."""
    draw = random.Random(f"machine {seed}")
    of_codec = round(count * codec_share)
    mutants: list[Mutant] = []

    def made(place: Place, slip: Slip) -> Mutant | None:
        return slip.applied(texts.by_name[place[0]], texts.path(place[0]))

    for generated, some in ((False, count - of_codec), (True, of_codec)):
        mutants += drawn(texts.places(generated=generated), some, draw, made)
    draw.shuffle(mutants)
    return mutants


def built(texts: Mapping[str, str], place: Path) -> Path | None:
    """The library that is tested, as for the faults seeded by hand; None where it does not compile."""
    try:
        return compile_files(texts, place / "mutant.so", flags=(*WEAVE_FLAGS, *REFUSED))
    except NoCompilerError:
        return None


def object_code(texts: Mapping[str, str], flags: tuple[str, ...]) -> bytes:
    """What the compiler makes of all texts with these flags, without names and notes.

    Raises:
        NoCompilerError: it refuses.
    """
    with tempfile.TemporaryDirectory(prefix="mutants-") as directory:
        place = Path(directory)
        seen = place / "seen.map"
        seen.write_text(f"{{ global: {' '.join(f'{name};' for name in FUNCTIONS)} local: *; }};")
        link = ("-s", "-Wl,--build-id=none", f"-Wl,--version-script={seen}", "-frandom-seed=0")
        return compile_files(texts, place / "whole.so", flags=(*flags, *link, "-Wno-error")).read_bytes()


class Compared:
    """Whether a mutant is the firmware itself, as far as an optimising compiler can tell: trivial compiler equivalence
    (Papadakis, Jia, Harman, Le Traon, ICSE 2015, from memory)."""

    def __init__(self, texts: Texts) -> None:
        self._as_it_is = {flags: object_code(texts.by_name, flags) for flags in (QUICK, THOROUGH)}

    def is_same(self, mutated: Mapping[str, str], flags: tuple[str, ...]) -> bool:
        """Whether its object code is that of the firmware, with these flags; what is refused with them is another."""
        try:
            return object_code(mutated, flags) == self._as_it_is[flags]
        except NoCompilerError:
            return False
