"""What a page may say: one frozen table for each order, checked as it is read. Nothing else is understood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from busproto.errors import InputError
from busproto.wire.frame import MAX_ADDRESS, MIN_ADDRESS
from busproto.wire.messages import MAX_CHANNELS

MAX_ORDER_BYTES: Final = 65_536
Address = Annotated[int, Meta(ge=MIN_ADDRESS, le=MAX_ADDRESS)]
Channel = Annotated[int, Meta(ge=1, le=MAX_CHANNELS)]
Fraction = Annotated[float, Meta(ge=-1, le=1)]
Text = Annotated[str, Meta(max_length=200)]
Uid = Annotated[str, Meta(pattern="^[0-9a-f]{16}$")]


class Order(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="do"):
    """Base of all orders."""


class Limp(Order, frozen=True, tag="limp"):
    """All go limp, now, whatever is going on. Any page may say this."""


class Explain(Order, frozen=True, tag="explain"):
    """Tell this page what an entry of the line log says, field by field. Any page may say this."""

    entry: int


class Take(Order, frozen=True, tag="take"):
    """Become the operator, where there is none."""


class HandOver(Order, frozen=True, tag="hand-over"):
    """Give the bench to another page, by its number; 0 leaves it free."""

    to: int = 0


class Arm(Order, frozen=True, tag="arm"):
    """Let demands through: the numbers of the cautions that were ticked."""

    ticked: Annotated[list[int], Meta(max_length=20)]


class Disarm(Order, frozen=True, tag="disarm"):
    """Nothing may move any more."""


class Alive(Order, frozen=True, tag="alive"):
    """The page is there, and whether a person can see it."""

    visible: bool


class DemandOne(Order, frozen=True, tag="demand"):
    """A share of the travel for one actuator; None lets it go limp."""

    address: Address
    fraction: Fraction | None


class DemandChannel(Order, frozen=True, tag="demand-channel"):
    """A share of the travel for all actuators on a channel; None lets them go limp."""

    channel: Channel
    fraction: Fraction | None


class Poll(Order, frozen=True, tag="poll"):
    """Whether reports are asked for all the time."""

    on: bool


class Start(Order, frozen=True, tag="start"):
    """Begin a flow, by its name, with its own fields."""

    flow: Text
    with_: dict[str, Any] = msgspec.field(name="with", default_factory=dict)


class Answer(Order, frozen=True, tag="answer"):
    """The answer to the question of the flow that runs."""

    question: int
    answer: Text


class Stop(Order, frozen=True, tag="stop"):
    """End the flow that runs; it leaves all limp."""


class Fault(Order, frozen=True, tag="fault"):
    """Something happens to the virtual bus: a kind of `busproto.sim.scene.events`, with its fields, for `lasting` s."""

    what: Text
    fields: dict[str, Any] = {}
    lasting: Annotated[float, Meta(gt=0, le=600)] | None = None


class Control(Order, frozen=True, tag="control"):
    """A line for the virtual bus, such as "unplug NAME"."""

    line: Text


class PowerUp(Order, frozen=True, tag="power-up"):
    """The virtual bus begins anew, as its scenario has it."""


AnyOrder = (
    Limp
    | Explain
    | Take
    | HandOver
    | Arm
    | Disarm
    | Alive
    | DemandOne
    | DemandChannel
    | Poll
    | Start
    | Answer
    | Stop
    | Fault
    | Control
    | PowerUp
)


@dataclass(frozen=True, slots=True)
class OperatorLeft:
    """Told by the hub, no page can say it: there is no operator any more."""


FOR_ALL_PAGES: Final = (Limp, Explain, Take)
"""Orders that need no operator."""

_decoder: Final = msgspec.json.Decoder(AnyOrder)


def read_order(text: str | bytes) -> AnyOrder:
    """The order in a message. Raises InputError where it is none."""
    try:
        order: AnyOrder = _decoder.decode(text)
        return order
    except msgspec.MsgspecError as error:
        raise InputError(f"that is no order: {error}") from error
