"""A broker from what was given for `--broker`: a URL, or a file that says what a URL can't. Reads, never writes."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from sequencer.errors import InputRefused, Problem
from sequencer.plan.load import load_other
from sequencer.plan.models_base import Strict
from sequencer.publish.broker_url import Broker, broker_from_url, without_secrets

LONGEST_PASSWORD = 65535  # bytes: a field of CONNECT has two bytes of length (MQTT 3.1.1, 1.5.3; from memory)


class BrokerFile(Strict):
    """Where the broker is, and who we are there. Paths are relative to the file.

    url: mqtt://[user@]host[:port], mqtts:// for TLS; the password stands in password_file or in the environment.
    ca_file: certificates to believe instead of the system's. certificate_file, key_file: our own, in PEM, the key
    without a passphrase. mqtt: "5" where the broker speaks it; readings then expire.
    """

    format: Literal[1]
    url: Annotated[str, Field(min_length=1)]
    password_file: str | None = None
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    mqtt: Literal["3.1.1", "5"] = "3.1.1"


@dataclass(frozen=True)
class _File:
    """Turns keys of one file into problems and paths."""

    path: Path

    def refused(self, key: str, value: str, remedy: str) -> InputRefused:
        return InputRefused([Problem(str(self.path), key, value, remedy)])

    def named(self, key: str, name: str | None) -> Path | None:
        """The file that a key names. Raises InputRefused where it can't be read."""
        if name is None:
            return None
        path = self.path.parent / name
        try:
            with path.open("rb"):
                return path
        except OSError as error:
            why = (error.strerror or "can't be read").lower()
            raise self.refused(key, name, f"{why}: name a file that may be read, relative to this one") from None


def broker_named(text: str, environment: Mapping[str, str]) -> Broker:
    """text: a URL, or the path of a file that ends in `.toml`. Raises InputRefused; nothing secret is in its text."""
    if text.endswith(".toml") and "://" not in text:
        return load_broker(Path(text), environment)
    return broker_from_url(text, environment)


def load_broker(path: Path, environment: Mapping[str, str]) -> Broker:
    """Raises InputRefused: file, key, value, remedy."""
    try:
        said, file = load_other("broker", BrokerFile, _problems, path).model, _File(path)
    except InputRefused as refused:
        raise InputRefused([_masked(one) for one in refused.problems]) from None
    try:
        broker = broker_from_url(said.url, environment)
    except InputRefused as refused:
        (first, *_) = refused.problems
        raise file.refused("url", first.value, first.remedy) from None
    password = file.named("password_file", said.password_file)
    if password is not None:
        if broker.user is None:
            raise file.refused("password_file", said.password_file or "", "a password needs a user: mqtt://user@host")
        broker = replace(broker, password=_password(file, password))
    broker = replace(
        broker,
        ca_file=file.named("ca_file", said.ca_file),
        certificate_file=file.named("certificate_file", said.certificate_file),
        key_file=file.named("key_file", said.key_file),
        mqtt=said.mqtt,
    )
    if broker.tls:
        _try_tls(file, broker)
    return broker


def _masked(problem: Problem) -> Problem:
    """A password that stands where none belongs is not shown either."""
    if problem.key == "url":
        return replace(problem, value=without_secrets(problem.value))
    if "pass" in problem.key.lower() and problem.key != "password_file":
        return replace(problem, value="***")
    return problem


def _problems(said: BrokerFile, name: str) -> list[Problem]:
    files = {key: getattr(said, key) for key in ("ca_file", "certificate_file", "key_file")}
    in_vain = {} if said.url.startswith("mqtts://") else {key: name for key, name in files.items() if name is not None}
    remedy = "is of no use without TLS: write the url with mqtts://"
    found = [Problem(name, key, value, remedy) for key, value in in_vain.items()]
    if said.certificate_file is not None and said.key_file is None:
        found.append(Problem(name, "key_file", "missing", "name the key of certificate_file"))
    if said.key_file is not None and said.certificate_file is None:
        found.append(Problem(name, "certificate_file", "missing", "name the certificate that key_file belongs to"))
    return found


def _password(file: _File, path: Path) -> str:
    """The first line of a file; its end is not part of it."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    first = text.splitlines()[0] if text.splitlines() else ""
    if not first or len(first.encode()) > LONGEST_PASSWORD:
        raise file.refused("password_file", path.name, "its first line must be the password, in UTF-8")
    return first


def _try_tls(file: _File, broker: Broker) -> None:
    """Now, not at the first connection: a wrong file is an input refused, not a broker that is down."""
    try:
        tls_context(replace(broker, certificate_file=None))
    except (ssl.SSLError, OSError):
        raise file.refused("ca_file", _name(broker.ca_file), "holds no certificates in PEM") from None
    try:
        tls_context(broker)
    except (ssl.SSLError, OSError, ValueError):
        remedy = (
            "certificate and key don't belong together, are no PEM, or the key has a passphrase (ours may have none)"
        )
        raise file.refused("certificate_file", _name(broker.certificate_file), remedy) from None


def _name(path: Path | None) -> str:
    return path.name if path else "the system's list"


def tls_context(broker: Broker) -> ssl.SSLContext:
    """What TLS needs: whom to believe, who we are. Reads files; raises OSError, ssl.SSLError."""
    context = ssl.create_default_context(cafile=broker.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if broker.certificate_file is not None:
        context.load_cert_chain(
            broker.certificate_file, broker.key_file, password=""
        )  # or OpenSSL asks at the terminal
    return context
