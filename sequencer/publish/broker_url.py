"""Where a broker is and who we are there, from one URL. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import SplitResult, unquote, urlsplit

from sequencer.errors import InputRefused, Problem

# Registered with IANA as `mqtt` and `secure-mqtt`, and named so in MQTT 3.1.1, clause 4.2 (from memory).
PORTS = {"mqtt": 1883, "mqtts": 8883}
PASSWORD_VARIABLE = "NIGHTRAMP_MQTT_PASSWORD"
FORM = "mqtt://[user[:password]@]host[:port], or mqtts:// for TLS"


@dataclass(frozen=True)
class Broker:
    """A broker. The password is left out of its repr, so that no log or trace of an error shows it.

    ca_file: whom to believe, None: the system's list. certificate_file, key_file: who we are, in PEM. mqtt: which one
    is spoken; "5" adds an expiry to readings, nothing else needs it.
    """

    host: str
    port: int
    tls: bool = False
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    mqtt: Literal["3.1.1", "5"] = "3.1.1"

    @property
    def name(self) -> str:
        """For people: host and port, nothing secret."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def broker_from_url(url: str, environment: Mapping[str, str]) -> Broker:
    """The broker of `mqtt://[user[:password]@]host[:port]`; user and password percent-encoded as in any URL.

    A password that is not in the URL, where a user is, comes from `environment[PASSWORD_VARIABLE]`.
    Raises InputRefused; its text never shows the password.
    """
    parts = _parts(url)
    if parts.scheme not in PORTS or not parts.hostname:
        raise _refused(url, f"write {FORM}; or the path of a file, which ends in .toml")
    if parts.path.strip("/") or parts.query or parts.fragment:
        raise _refused(url, f"nothing may follow the port; a '/', '?', '#' or '@' in a password is written %xx: {FORM}")
    user, password = _text(parts.username), _text(parts.password)
    if user is None and password is not None:
        raise _refused(url, "a password needs a user: MQTT 3.1.1 knows none alone")
    if user is not None and password is None:
        password = environment.get(PASSWORD_VARIABLE)
    return Broker(parts.hostname, _port(url, parts), parts.scheme == "mqtts", user, password)


def _parts(url: str) -> SplitResult:
    try:
        return urlsplit(url)
    except ValueError:  # a bracket that does not close
        raise _refused(url, f"write {FORM}") from None


def _port(url: str, parts: SplitResult) -> int:
    try:
        port = parts.port
    except ValueError:
        port = 0
    if port is None:
        return PORTS[parts.scheme]
    if port == 0:
        raise _refused(url, "a port is a whole number from 1 to 65535")
    return port


def _text(part: str | None) -> str | None:
    return unquote(part) if part else None


def _refused(url: str, remedy: str) -> InputRefused:
    return InputRefused([Problem("command line", "--broker", without_secrets(url), remedy)])


def without_secrets(url: str) -> str:
    """The URL as it may be shown: all between `//` and the last `@` is left out, sound URL or not."""
    before, at, behind = url.rpartition("@")
    if not at:
        return url
    scheme, slashes, _ = before.partition("//")
    return f"{scheme}//***@{behind}" if slashes else f"***@{behind}"
