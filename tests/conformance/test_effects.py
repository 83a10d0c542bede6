"""No parameter without a case that shows its effect, no field of a reply without one that would fail if it were wrong,
no request without its place in the table of states."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import busproto.conformance.suite.effects as room
from busproto.conformance.suite.effects.cover import EFFECTS, FIELDS, effect, shows
from busproto.conformance.suite.effects.test_settings_act import CHANGES, STANDS
from busproto.conformance.suite.effects.test_states import STATELESS
from busproto.wire import messages as m
from busproto.wire.message import OPERATIONS, fields_of
from busproto.wire.page.fields import part_of
from busproto.wire.page.rules import CORE
from busproto.wire.parameters import BY_NAME

for _module in pkgutil.iter_modules(room.__path__, f"{room.__name__}."):
    importlib.import_module(_module.name)

IN_THE_TABLE = {
    m.Assign,
    m.DemandAll,
    m.Demand,
    m.Release,
    m.Engage,
    m.Report,
    m.ShowYourself,
    m.Restart,
}
"""Requests of which the table of state changes says something."""


def test_every_parameter_has_a_case_of_its_effect() -> None:
    assert set(EFFECTS) == set(BY_NAME)


def test_every_field_of_a_reply_has_a_case_that_shows_it() -> None:
    replies = {one.reply for number, one in OPERATIONS.items() if one.reply is not None and part_of(number) == CORE}
    wanted = {(reply, field.name) for reply in {*replies, m.Refused} for field in fields_of(reply)}
    assert len(wanted) > 40
    assert wanted - set(FIELDS) == set()


def test_every_request_is_in_the_table_of_states_or_tried_in_every_state() -> None:
    core = {number for number in OPERATIONS if part_of(number) == CORE}
    assert core == {one.OPERATION for one in IN_THE_TABLE} | set(STATELESS)


def test_every_parameter_moves_a_target_or_is_seen_to_move_none() -> None:
    assert set(CHANGES) | set(STANDS) == set(BY_NAME)
    assert not set(CHANGES) & set(STANDS)
    assert all(value != BY_NAME[name].default for name, value in {**CHANGES, **STANDS}.items())


def test_a_case_cannot_claim_what_is_not_there() -> None:
    with pytest.raises(KeyError):
        effect("no such parameter")
    with pytest.raises(KeyError, match="Status has no nothing"):
        shows(m.Status, "nothing")
