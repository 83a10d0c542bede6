"""pyserial waits 0.3 s whenever it closes a TCP port, for servers that are slow to notice; ours are not."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from serial.urlhandler import protocol_socket


@pytest.fixture(autouse=True)
def _close_tcp_ports_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    assert hasattr(protocol_socket, "time")
    monkeypatch.setattr(protocol_socket, "time", SimpleNamespace(sleep=lambda _: None))
