"""Where the page is to be served, from what was given; the socket and the keys for it. Raises InputRefused in words."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.page.access import Doors, hosts_of
from sequencer.plan.within_bench import LOOPBACK

FORM = "write HOST:PORT, such as 127.0.0.1:8674 or [::1]:8674; port 0 is any free one"
WILDCARDS = ("", "0.0.0.0", "::", "*")
BACKLOG = 64


@dataclass(frozen=True)
class Wish:
    """What was asked. certificate, key: PEM; None: plain HTTP, on loopback only."""

    host: str
    port: int
    certificate: Path | None = None
    key: Path | None = None

    @property
    def loopback(self) -> bool:
        return self.host == "::1" or LOOPBACK.fullmatch(self.host) is not None


@dataclass(frozen=True)
class Opened:
    """A socket that listens, and whom it lets in. tls: None for plain HTTP."""

    socket: socket.socket
    doors: Doors
    port: int
    tls: ssl.SSLContext | None = None

    @property
    def address(self) -> str:
        """As a person opens it."""
        host, port = self.socket.getsockname()[:2]
        named = sorted(self.doors.hosts, key=lambda one: (not one.startswith(f"{host}:"), one))
        return f"{self.doors.scheme}://{named[0] if named else f'{host}:{port}'}/"

    def close(self) -> None:
        self.socket.close()


def wish_of(where: str, certificate: Path | None = None, key: Path | None = None) -> Wish:
    """Raises InputRefused: a form that is not understood, a wildcard, another address without TLS."""
    host, port = _parted(where)
    if host in WILDCARDS:
        raise _refused(
            "--page", where, "name the one address or name that browsers will use: it is what they are held to"
        )
    if (certificate is None) != (key is None):
        lacking = "--page-key" if key is None else "--page-certificate"
        raise _refused(lacking, "absent", "--page-certificate FILE and --page-key FILE go together")
    wish = Wish(host, port, certificate, key)
    if not wish.loopback and certificate is None:
        words = "beyond this machine only over TLS: name --page-certificate FILE and --page-key FILE, or use 127.0.0.1"
        raise _refused("--page", where, words)
    return wish


def opened(wish: Wish) -> Opened:
    """Listens from here on; nobody is answered yet. Raises InputRefused: keys of no use, a port that is taken."""
    tls = None if wish.certificate is None or wish.key is None else _tls(wish.certificate, wish.key)
    where = f"{wish.host}:{wish.port}"
    try:
        family, _, _, _, address = socket.getaddrinfo(wish.host, wish.port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, socket.SOCK_STREAM)
    except OSError as error:
        raise _refused("--page", where, f"no such address here ({_why(error)}): name one of this machine's") from None
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(BACKLOG)
        listening.setblocking(False)
    except OSError as error:
        listening.close()
        raise _refused("--page", where, f"can't be listened at ({_why(error)}): name another, or port 0") from None
    port = int(listening.getsockname()[1])
    doors = Doors("https" if tls else "http", hosts_of(wish.host, port, loopback=wish.loopback), wish.loopback)
    return Opened(listening, doors, port, tls)


def _parted(where: str) -> tuple[str, int]:
    host, colon, port = where.rpartition(":")
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
    elif ":" in host:
        raise _refused("--page", where, FORM)
    if not colon or not (port.isascii() and port.isdigit()) or int(port) > 65535 or any(map(str.isspace, host)):
        raise _refused("--page", where, FORM)
    return host.lower(), int(port)


def _tls(certificate: Path, key: Path) -> ssl.SSLContext:
    for name, path in (("--page-certificate", certificate), ("--page-key", key)):
        try:
            path.read_bytes()
        except OSError as error:
            raise _refused(name, str(path), f"can't be read ({_why(error)}): name a file in PEM") from None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key, password="")
    except (ssl.SSLError, ValueError, OSError) as error:
        words = f"no certificate with the key {key} ({_why(error)}): both in PEM, of one pair, without a passphrase"
        raise _refused("--page-certificate", str(certificate), words) from None
    return context


def _why(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error or "no reason given").lower()


def _refused(key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem("command line", key, value, remedy)])
