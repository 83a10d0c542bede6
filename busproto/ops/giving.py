"""Give one actuator an address, and a channel if wanted, and look at its state afterwards."""

from __future__ import annotations

from busproto.errors import PortClosedError
from busproto.ops.addressing import write_address
from busproto.ops.moving.letting_go import LetGo, OnLine, let_go, let_go_after
from busproto.ops.parameter_access import commit, write
from busproto.ops.steps import Steps
from busproto.wire.frame import UNADDRESSED
from busproto.wire.messages import Description


def give_address(uid: bytes, address: int, channel: int | None = None) -> Steps[tuple[Description | None, LetGo]]:
    """Write an address that is known to be free, read it back, and look whether the actuator is limp.

    An assign leaves an actuator limp. Once it has answered the assign, its state is looked at however this ends.

    Args:
        uid: 8 bytes.
        address: 1..239, or 240 (F0h) to take its address away.
        channel: 0..32, set and stored too; None leaves it as it is.

    Returns:
        Its description read at the new address, None without an address; and what was seen when it was let go.

    Raises:
        BusError: see `busproto.ops.addressing.assign`, which also finds out whether the address is free.
    """
    actuators = [] if address == UNADDRESSED else [OnLine(address, uid)]
    is_given = False
    try:
        description = yield from write_address(uid, address)
        is_given = True
        if channel is not None:
            yield from write(address, {"channel": channel})
            yield from commit(address, description=description)
    except GeneratorExit:
        raise  # the link has closed this generator, so nothing can be sent
    except BaseException as error:
        is_broken_off = not isinstance(error, Exception) or isinstance(error, PortClosedError)
        # until the assign was answered its address is not known: then all addresses are asked
        if is_given or is_broken_off:
            yield from let_go_after(error, actuators or None, to_all=False, others=not is_given)
        raise
    return description, (yield from let_go(actuators, to_all=False))
