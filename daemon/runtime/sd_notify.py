"""Tells the service manager how the daemon is, by the sd_notify protocol: one datagram to the socket it names.

Protocol: the sd_notify(3) manual page of systemd. Without a manager nothing is sent.
"""

import contextlib
import os
import socket
from collections.abc import Mapping


class Manager:
    """The service manager's ear. environment: where it says its socket and how often it wants a sign of life."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._every_s = _watchdog_s(environment) / 4
        self._next_s = float("-inf")

    def ready(self) -> None:
        """The heaters are looked after from now on."""
        self._say("READY=1")

    def status(self, sentence: str) -> None:
        """One line for whoever asks the manager."""
        self._say(f"STATUS={' '.join(sentence.split())}")

    def alive(self, mono_s: float) -> None:
        """Work has been done; reported at most four times in the manager's watchdog time. mono_s: the forward clock."""
        if mono_s >= self._next_s:
            self._next_s = mono_s + self._every_s
            self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """The end was asked for."""
        self._say("STOPPING=1")

    def _say(self, message: str) -> None:
        if not self._address:
            return
        # "@" stands for the zero byte of an address that is in no file system.
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as ear,
        ):
            ear.setblocking(False)  # a manager that does not listen must not hold up control
            ear.sendto(message.encode(), address)


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """The manager's watchdog time, s; inf where it has none, or means another process."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return float("inf")
    watchdog_us = environment.get("WATCHDOG_USEC", "")
    return (
        int(watchdog_us) / 1e6 if watchdog_us.isascii() and watchdog_us.isdigit() and int(watchdog_us) else float("inf")
    )
