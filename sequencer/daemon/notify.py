"""What a service tells systemd: ready, alive, at its end. One datagram each, by hand.

The form is that of sd_notify(3): lines of NAME=value to the socket that NOTIFY_SOCKET names, an `@` in front standing
for the null byte of Linux's abstract names. Nobody there to hear is no trouble.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Callable, Mapping

USEC = 1e-6
OFTEN = 0.25  # of the time allowed: three may be lost


class Notifier:
    """`from_environment` gives one that says nothing where no manager asked."""

    def __init__(self, address: str | None, watchdog_s: float | None, now_ns: Callable[[], int]) -> None:
        """watchdog_s: within which the manager wants a word, s. now_ns: a monotonic clock."""
        self._address = address.replace("@", "\0", 1) if address and address.startswith("@") else address
        self._every_ns = None if watchdog_s is None else round(watchdog_s * OFTEN * 1e9)
        self._now_ns, self._last_ns = now_ns, 0
        self._status = ""
        self.watched = False  # a night's own watch says that it makes progress; nobody else may

    @classmethod
    def from_environment(cls, environment: Mapping[str, str], now_ns: Callable[[], int]) -> Notifier:
        """WATCHDOG_USEC counts where WATCHDOG_PID is this process, or is not given (sd_watchdog_enabled(3))."""
        address = environment.get("NOTIFY_SOCKET", "")
        mine = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = environment.get("WATCHDOG_USEC", "")
        is_number = usec.isascii() and usec.isdecimal() and int(usec) > 0
        sound = address if address[:1] in ("/", "@") and len(address) > 1 else None
        return cls(sound, int(usec) * USEC if mine and is_number else None, now_ns)

    def ready(self) -> None:
        self._send("READY=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def status(self, sentence: str) -> None:
        """One line for `systemctl status`; again only where it changed."""
        if sentence != self._status:
            self._status = sentence
            self._send(f"STATUS={' '.join(sentence.split())}")

    def alive(self) -> None:
        """As often as one likes: sent four times within what is allowed."""
        if self._every_ns is None:
            return
        now_ns = self._now_ns()
        if not self._last_ns or now_ns - self._last_ns >= self._every_ns:
            self._last_ns = now_ns
            self._send("WATCHDOG=1")

    def _send(self, line: str) -> None:
        if self._address is None:
            return
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as one,
        ):
            one.setblocking(False)
            one.sendto(line.encode(), self._address)
