"""A unit file for systemd that runs `serve`. Pure: what is known goes in, text comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WATCHDOG_S = 30  # the watch's longest period, and what an instrument may take to answer, several times over
STOP_S = 300  # making safe, the slowest rail that a bench may have, the results and the last messages


@dataclass(frozen=True)
class Service:
    """command: the words of ExecStart. user: who runs it; folder: where it works, absolute. bench: for its title."""

    command: Sequence[str]
    user: str
    folder: str
    bench: str


def unit_text(service: Service) -> str:
    """The file's text. It is started by a person, each evening or once: neither a start of the machine nor a death of
    the process may power a unit by itself."""
    return f"""\
# {service.bench}: units in the queue, measured at night. Begin: systemctl start; end: systemctl stop (made safe first).
# There is no [Install] part on purpose, and no restart: after a power cut or a crash a person looks first.
[Unit]
Description=nightramp on bench {_one_line(service.bench)}
After=network.target

[Service]
Type=notify
NotifyAccess=main
ExecStart={" ".join(_quoted(word) for word in service.command)}
User={_one_line(service.user)}
WorkingDirectory={_one_line(service.folder)}
Environment=PYTHONUNBUFFERED=1
# A password for the broker, readable by root alone: NIGHTRAMP_MQTT_PASSWORD=...
#EnvironmentFile=/etc/nightramp.env

# The guardian must outlive what it watches: any other mode ends both together.
KillMode=process
KillSignal=SIGTERM
# Longer than making safe takes. Then SIGKILL; the guardian switches off.
TimeoutStopSec={STOP_S}
# No word for so long: killed, and the guardian switches off.
WatchdogSec={WATCHDOG_S}
Restart=no
# A trip and a stop by a person are ends that were told, not failures of the service.
SuccessExitStatus=1 4
# Its lock and frozen file must be found by `make-safe` from outside.
PrivateTmp=no
"""


def _quoted(word: str) -> str:
    """A word of ExecStart (systemd.service(5), "Command lines"): % and $ doubled, the rest as in C's strings."""
    text = _one_line(word).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'.replace("$", "$$") if not text or set(text) - _PLAIN else text


_PLAIN = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-:=+,@")


def _one_line(text: str) -> str:
    """systemd takes % for a specifier of its own, wherever it stands."""
    return " ".join(text.split("\n")).replace("%", "%%")
