"""What a request does to an actuator's settings: written, taken back, stored. What the arm makes of it is not here.

Every refusal of a request is raised as `Refusal`, which carries the reply.
"""

from __future__ import annotations

from busproto.errors import EncodeError
from busproto.sim.actuators.answers import Refusal, values_in
from busproto.sim.actuators.settings import Settings
from busproto.sim.kernel import Kernel
from busproto.wire import messages as m
from busproto.wire.message import Message


def write(settings: Settings, message: m.Write) -> Message:
    """A working setting is another. Raises Refusal: there is none, or it cannot be that."""
    row = settings.by_number.get(message.number)
    if row is None:
        raise Refusal(m.Outcome.UNKNOWN_PARAMETER)
    if len(message.value) % row.size or (not row.points and len(message.value) != row.size):
        raise Refusal(m.Outcome.BAD_REQUEST)
    try:
        settings.set_working(row.name, row.decode(message.value))
    except EncodeError as error:
        raise Refusal(m.Outcome.OUT_OF_RANGE, settings.least(row), row.high) from error
    return m.Written(row.number, message.value)


def undo(settings: Settings, message: m.Undo) -> Message:
    """The working settings are those of that memory. Raises Refusal: they are these already."""
    if message.memory is m.Memory.WORKING:
        raise Refusal(m.Outcome.OUT_OF_RANGE, m.Memory.STORED, m.Memory.FACTORY)
    settings.working = values_in(settings, message.memory)
    return m.Undone(message.memory)


def commit(settings: Settings, kernel: Kernel) -> tuple[Message, int]:
    """Store the working settings. Returns the answer and when all is written, ns. Raises Refusal: memory is busy."""
    require_idle_memory(settings, kernel.now_ns)
    generation = (settings.generation + 1) % 0x10000
    ready_ns = settings.begin_commit(kernel.now_ns)
    kernel.at(ready_ns, lambda: settings.memory.settle(kernel.now_ns))  # over a restart too
    return m.Committed(generation), ready_ns


def require_idle_memory(settings: Settings, now_ns: int) -> None:
    """Raises Refusal: stored memory is being written at that moment."""
    if settings.memory.is_writing(now_ns):
        raise Refusal(m.Outcome.STORE_FAILED)


def answer_of_store(answer: Message, settings: Settings) -> Message:
    """The answer once its write has ended: to one that failed, a refusal takes the place of the answer."""
    if isinstance(answer, m.Committed | m.Assigned) and not settings.memory.is_whole:
        return Refusal(m.Outcome.STORE_FAILED).message
    return answer
