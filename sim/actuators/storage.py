"""Stored memory of an actuator: two copies, each with its own check, written byte by byte in virtual time.

Rules: a write goes to the copy that is not in use, its check last; the copy in use is never touched. So power lost
at any byte leaves the old or the new set whole, never a mixture. What was written is read back: a write that meets a
worn cell has failed, and the copy in use stays in use. Not modelled: that use wears cells; bit rot.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

from busproto.sim.errors import SimError
from busproto.sim.kernel import Kernel
from busproto.wire.crc import crc24

BYTE_WRITE_NS: Final = 30_000
ERASED: Final = 0xFF
CHECK_BYTES: Final = 3
GENERATION_BYTES: Final = 2
GENERATIONS: Final = 1 << 8 * GENERATION_BYTES
COPIES: Final = 2
SPOILED_BIT: Final = 0x10
LAST_CELL: Final = 0xFF
"""Cells of a copy are 0 to this; a record needs fewer."""


@dataclass(frozen=True, slots=True)
class _Write:
    copy: int
    data: bytes
    start_ns: int

    def written(self, now_ns: int) -> int:
        return min(len(self.data), max(0, now_ns - self.start_ns) // BYTE_WRITE_NS)


@dataclass
class StoredMemory:
    """The two copies.

    Attributes:
        copies: the raw cells, as a memory chip would show them.
        worn: (copy, cell) of those that can no longer be written; they stay erased.
        is_whole: the last write that ended is what was to be written.
    """

    copies: list[bytes] = field(default_factory=lambda: [b"", b""])
    worn: set[tuple[int, int]] = field(default_factory=set)
    is_whole: bool = True
    _writing: _Write | None = None
    _written: int = 0
    _cut: tuple[int, Callable[[int], object]] | None = None

    @classmethod
    def holding(cls, record: bytes) -> StoredMemory:
        """Memory with one valid record, of generation 1."""
        return cls([_sealed(1, record), b""])

    def load(self) -> tuple[int, bytes] | None:
        """Generation and record of the newest whole copy, None where neither is whole."""
        good = [found for found in map(_opened, self.copies) if found is not None]
        if not good:
            return None
        newest = good[0]
        for other in good[1:]:
            if 0 < (other[0] - newest[0]) % GENERATIONS < GENERATIONS // 2:
                newest = other
        return newest

    def begin(self, record: bytes, now_ns: int) -> int:
        """Begin to write a record; return when the write will be complete, ns."""
        self.settle(now_ns)
        loaded = self.load()
        generation = 1 if loaded is None else (loaded[0] + 1) % GENERATIONS
        in_use = None
        if loaded is not None:
            in_use = next(at for at, cells in enumerate(self.copies) if _opened(cells) == loaded)
        data = _sealed(generation, record)
        self._writing = _Write(0 if in_use is None else 1 - in_use, data, now_ns)
        if self._cut is not None:
            byte, cut = self._cut
            self._cut = (byte - len(data), cut) if byte >= len(data) else None
            if self._cut is None:
                cut(now_ns + byte * BYTE_WRITE_NS + BYTE_WRITE_NS // 2)
        return now_ns + len(data) * BYTE_WRITE_NS

    def written(self, now_ns: int) -> int:
        """Number of bytes written since this object was made."""
        return self._written + (self._writing.written(now_ns) if self._writing else 0)

    def plan_cut(self, byte: int, cut: Callable[[int], object]) -> None:
        """Call `cut` with the time, ns, of the middle of byte `byte`, from 0, of the bytes written from now on."""
        self._cut = (byte, cut)

    def is_writing(self, now_ns: int) -> bool:
        """Whether a write is under way."""
        self.settle(now_ns)
        return self._writing is not None

    def settle(self, now_ns: int) -> None:
        """Let the write go on up to `now_ns`."""
        write = self._writing
        if write is None:
            return
        done = write.written(now_ns)
        rest = len(write.data) - done
        cells = bytearray(write.data[:done] + bytes([ERASED]) * rest)
        for copy, cell in self.worn:
            if copy == write.copy and cell < len(cells):
                cells[cell] = ERASED
        self.copies[write.copy] = bytes(cells)
        if not rest:
            self.is_whole = self.copies[write.copy] == write.data
            self._end_write(done)

    def _end_write(self, done: int) -> None:
        self._written += done
        self._writing = None

    def cut(self, now_ns: int) -> None:
        """Power is lost: bytes not written by now are never written."""
        self.settle(now_ns)
        if self._writing is not None:
            self._end_write(self._writing.written(now_ns))

    def renumber(self, generation: int) -> None:
        """Both copies as behind `generation` writes of the record in use; the last write went to copy 1.

        Raises:
            SimError: no copy is whole, or cells are worn.
        """
        loaded = self.load()
        if loaded is None:
            raise SimError("no copy of its stored memory is whole")
        if self.worn:
            raise SimError("its stored memory is worn")
        self.copies = [_sealed((generation - 1) % GENERATIONS, loaded[1]), _sealed(generation, loaded[1])]

    def spoil(self, copy: int, byte: int) -> None:
        """Flip one bit of a copy.

        Raises:
            IndexError: there is no such copy, or it has no such byte.
        """
        cells = bytearray(self.copies[copy])
        cells[byte] ^= SPOILED_BIT
        self.copies[copy] = bytes(cells)


class Remembers:
    """The stored memory of an actuator, as a bench gets at it.

    Attributes:
        can_renumber: whether `renumber` can be followed.
    """

    can_renumber = True
    _kernel: Kernel

    def _memory(self) -> StoredMemory:
        raise NotImplementedError

    def spoil(self, copy: int, byte: int) -> None:
        """Flip one bit of a stored copy. Raises IndexError: there is no such copy or byte."""
        self._memory().spoil(copy, byte)

    def wear(self, copy: int, cells: Iterable[int]) -> None:
        """Wear cells of a copy out, each from 0 to LAST_CELL: no later write changes them."""
        self._memory().worn.update((copy, cell) for cell in cells)

    def mend(self) -> None:
        """Undo all `wear`: every cell can be written again."""
        self._memory().worn.clear()

    def renumber(self, generation: int) -> None:
        """Make its stored memory that of `generation` writes, 0..65535. Raises SimError: no copy is whole."""
        self._memory().renumber(generation)

    @property
    def written_bytes(self) -> int:
        """Bytes of stored memory written so far."""
        return self._memory().written(self._kernel.now_ns)


def _sealed(generation: int, record: bytes) -> bytes:
    data = generation.to_bytes(GENERATION_BYTES, "little") + record
    return data + crc24(data).to_bytes(CHECK_BYTES, "little")


def _opened(cells: bytes) -> tuple[int, bytes] | None:
    data, check = cells[:-CHECK_BYTES], cells[-CHECK_BYTES:]
    if len(data) <= GENERATION_BYTES or crc24(data) != int.from_bytes(check, "little"):
        return None
    return int.from_bytes(data[:GENERATION_BYTES], "little"), data[GENERATION_BYTES:]
