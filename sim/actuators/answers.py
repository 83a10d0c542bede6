"""The replies of an actuator that report its identity, its settings and its faults. Nothing here changes state.

Every refusal of a request is raised as `Refusal`, which carries the reply.
"""

from __future__ import annotations

from busproto.sim.actuators.model import ActuatorModel
from busproto.sim.actuators.settings import Settings
from busproto.wire import messages as m
from busproto.wire.frame import Frame
from busproto.wire.message import OPERATIONS, Message
from busproto.wire.parameters import RawValue


class Refusal(Exception):
    """The request is refused.

    Attributes:
        message: the reply to send.
    """

    def __init__(self, code: m.Outcome, low: int = 0, high: int = 0) -> None:
        super().__init__(code)
        self.message = m.Refused(code, low, high)


def why_not_understood(frame: Frame) -> m.Outcome:
    """The refusal for a frame whose operation or payload cannot be understood."""
    return m.Outcome.BAD_REQUEST if frame.operation in OPERATIONS else m.Outcome.UNKNOWN_OPERATION


def values_in(settings: Settings, memory: m.Memory) -> dict[str, RawValue]:
    """Working, stored or factory settings by name, as the wire carries them."""
    if memory is m.Memory.WORKING:
        return settings.working
    if memory is m.Memory.STORED:
        return settings.stored()
    return dict(settings.factory)


def read(settings: Settings, message: m.Read) -> Message:
    """The reply with the requested values. Raises Refusal."""
    values = values_in(settings, message.memory)
    rows = [settings.by_number.get(number) for number in message.numbers]
    if any(row is not None and row.points for row in rows[:-1]):
        raise Refusal(m.Outcome.BAD_REQUEST)
    data = b""
    for row in rows:
        if row is None:
            raise Refusal(m.Outcome.UNKNOWN_PARAMETER)
        data += row.encode(values[row.name])
    if len(data) > m.MAX_VALUES_BYTES:
        raise Refusal(m.Outcome.BAD_REQUEST)
    return m.Values(data)


def describe(uid: bytes, model: ActuatorModel, settings: Settings) -> Message:
    """The reply to `describe`: model, firmware, rating and uid."""
    return m.Description(
        uid=uid,
        model=model.name,
        firmware_major=model.firmware[0],
        firmware_minor=model.firmware[1],
        supply_min_mv=model.supply_mv[0],
        supply_max_mv=model.supply_mv[1],
        stall_torque_mnm=model.stall_torque_mnm,
        stall_current_ma=model.stall_current_ma,
        no_load_speed_deg_s=model.no_load_speed_deg_s,
        mechanical_travel_cdeg=round(model.mechanical_travel_deg * 100),
        parameter_count=len(settings.rows),
        generation=settings.generation,
    )


def describe_parameter(settings: Settings, message: m.DescribeParameter) -> Message:
    """One row of its parameter list. Raises Refusal: the number lies behind the last row."""
    if message.index >= len(settings.rows):
        raise Refusal(m.Outcome.UNKNOWN_PARAMETER)
    row = settings.rows[message.index]
    return m.ParameterDescription(
        number=row.number,
        size=row.size,
        points=row.points,
        low=row.low,
        high=row.high,
        default=row.default if isinstance(row.default, int) else 0,
        name=row.name,
        unit=row.count_unit,
    )


def faults_of(settings: Settings, supply_mv: int, degc: float, strain: float, *, was_lost: bool) -> m.Fault:
    """The fault bits; `strain` is the load as a fraction of the stall torque."""
    faults = m.Fault(0)
    if settings.are_lost:
        faults |= m.Fault.SETTINGS_LOST
    if was_lost:
        faults |= m.Fault.DEMAND_LOST
    if supply_mv < settings.raw("under-voltage"):
        faults |= m.Fault.UNDER_VOLTAGE
    if degc > settings.raw("over-temperature"):
        faults |= m.Fault.OVER_TEMPERATURE
    if strain * 100 >= settings.raw("overload-limit"):
        faults |= m.Fault.OVERLOAD
    return faults
