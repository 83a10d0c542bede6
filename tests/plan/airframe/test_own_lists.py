"""What it costs on the bus that actuators may have lists of their own: nothing where all have the table."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from busproto import Bus
from busproto.plan.assignment import save_assignment
from busproto.plan.load import load
from busproto.sim.scene.own_table import OwnTable, rows_of
from busproto.wire.messages import Describe, DescribeParameter, Read, Report, RollCall
from tests.ops.helpers import HookedPort, box
from tests.plan.airframes import hauler

ACTUATORS = 13


def test_apply_with_nothing_to_do_asks_what_it_asked_before_there_were_lists(tmp_path: Path) -> None:
    air = hauler(tmp_path)
    save_assignment(air.plan, air.assignment)
    port = HookedPort(air.bus.host, lambda _: None)
    bus = Bus(port)
    first = bus.apply(air.plan.path, agree=True, wrong_hardware="write")
    done = Counter(map(type, port.sent))
    assert (done[DescribeParameter], done[Read]) == (0, 372)
    port.sent.clear()
    again = bus.apply(air.plan.path, agree=True, wrong_hardware="write")
    assert (bool(first.applied.steps), again.applied.steps) == (True, 0)
    sent = Counter(map(type, port.sent))
    assert {kind: sent[kind] for kind in (Describe, Report, Read, DescribeParameter)} == {
        Describe: ACTUATORS,
        Report: ACTUATORS,
        Read: 4 * ACTUATORS,
        DescribeParameter: 0,
    }
    # how often is called depends on chance; all else does not: 122 requests where it is called 28 times
    assert len(port.sent) - sent[RollCall] == 94


def test_a_list_of_its_own_is_asked_for_once_of_all_that_are_alike(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text(
        "fleet-map = 1\ntitle = 'f'\n[function]\n"
        + "".join(f"f{at} = {{ address = {at}, channel = {at} }}\n" for at in (1, 2, 3)),
        "utf-8",
    )
    (tmp_path / "one.toml").write_text(
        "airframe = 1\ntitle = 'a'\nfleet-map = 'fleet.toml'\n[function]\n"
        + "".join(f"f{at} = {{ own = {{ notch = {at} }}, settings = {{ under-voltage = 5 }} }}\n" for at in (1, 2, 3)),
        "utf-8",
    )
    rows = rows_of(["damping"], [OwnTable(name="notch", high=9)])
    subject = box(2)
    for at in (1, 2, 3):
        subject.add(at, at if at < 3 else 2, rows=rows)  # two share an address: they are read when they have their own
    port = HookedPort(subject.bus.host, lambda _: None)
    plan = load(tmp_path / "one.toml")
    save_assignment(plan, {f"f{at}": uid for at, uid in enumerate(subject.truth, 1)})
    with Bus(port) as bus:
        came = bus.apply(plan, agree=True)
        assert came.audit.is_clean
        # by the one that is alone, by the two that are read once each is, and once more to prove it
        assert Counter(map(type, port.sent))[DescribeParameter] == 4 * len(rows)
        assert [one.settings.stored()["notch"] for one in subject.bus.actuators] == [1, 2, 3]
        port.sent.clear()
        again = bus.apply(plan, agree=True)
        assert again.applied.steps == 0
        assert Counter(map(type, port.sent))[DescribeParameter] == len(rows)
