"""TCP ports without waiting: pyserial waits 0.3 s whenever it closes one, and we for a refusal when we open one."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from serial.urlhandler import protocol_socket

from busproto.transport import serial_port


@pytest.fixture(autouse=True)
def _no_waiting_at_tcp_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    assert hasattr(protocol_socket, "time")
    monkeypatch.setattr(protocol_socket, "time", SimpleNamespace(sleep=lambda _: None))
    monkeypatch.setattr(serial_port, "REFUSAL_WAIT_S", 0)
