"""What the service manager is told. Source: sd_notify(3)."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from offload.station.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(os.fspath(tmp_path / "notify"))
        listening.setblocking(False)
        yield listening


def told(manager: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(manager.recv(4096).decode())
        except BlockingIOError:
            return found


def test_ready_and_stopping_are_told(manager: socket.socket) -> None:
    notifier = Notifier(manager.getsockname())
    notifier.ready("watching for cards")
    notifier.stopping()
    assert told(manager) == ["READY=1\nSTATUS=watching for cards", "STOPPING=1"]


def test_alive_is_told_well_within_the_watchdogs_time(manager: socket.socket) -> None:
    moments = [0.0, 1.0, 3.9, 4.1, 5.0, 8.3]
    notifier = Notifier(manager.getsockname(), 10_000_000, clock=iter(moments).__next__)
    for _ in moments:
        notifier.alive()
    # Of ten seconds that are given, no more than half may pass between two.
    assert told(manager) == ["WATCHDOG=1"] * 3


def test_without_a_watchdog_alive_says_nothing(manager: socket.socket) -> None:
    Notifier(manager.getsockname()).alive()
    assert told(manager) == []


def test_abstract_address_is_understood() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0offload-test-notify-{os.getpid()}")
        listening.setblocking(False)
        Notifier(f"@offload-test-notify-{os.getpid()}").ready("here")
        assert told(listening) == ["READY=1\nSTATUS=here"]


def test_manager_that_is_not_there_stops_nothing(tmp_path: Path) -> None:
    Notifier(os.fspath(tmp_path / "nobody")).ready("watching")
    Notifier("").ready("watching")
