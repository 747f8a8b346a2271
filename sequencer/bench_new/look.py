"""Who answers on this machine's buses, and on its network where that is told: asked for names and `*IDN?`, no more."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

OPEN_MS, REPLY_MS = 1500, 1500
IDENTITY = "*IDN?"
REPLY_AT_MOST = 256
NOT_ASKED = "a serial line, not asked: what hangs on it may not bear a question"
TOLD = (
    "Looking: this machine's VISA (pyvisa-py) lists the resources it sees, which may call on the local network, and "
    f"each of them but the serial lines, and each address you give, is asked {IDENTITY}. Nothing else is sent, "
    "nothing is set."
)


@dataclass(frozen=True)
class Seen:
    """One resource. reply: to *IDN?; None where it gave none, and why."""

    address: str
    reply: str | None
    why: str = ""

    def told(self) -> str:
        return f"{self.address}: {self.reply if self.reply is not None else self.why}"


class Looker:
    """manager: a VISA resource manager, made at the first use."""

    def __init__(self, manager: Callable[[], Any]) -> None:
        self._manager = manager

    def everywhere(self, also: Sequence[str] = ()) -> list[Seen]:
        """What the manager lists, then `also`, each once."""
        with _quiet():
            try:
                listed = tuple(self._manager().list_resources("?*"))
            except Exception as error:  # no backend, no bus: the person types addresses
                listed, also = (), (*also,)
                lacking = [Seen("(resource list)", None, f"not to be had: {error}")]
            else:
                lacking = []
        return [*lacking, *(self.ask(one) for one in dict.fromkeys((*listed, *also)))]

    def ask(self, address: str) -> Seen:
        """One question, one reply, and closed again."""
        if address.upper().startswith("ASRL"):
            return Seen(address, None, NOT_ASKED)
        with _quiet():
            try:
                session = self._manager().open_resource(address, open_timeout=OPEN_MS)
            except Exception as error:  # whatever a backend raises, the look goes on
                return Seen(address, None, f"does not open: {_short(error)}")
            with contextlib.closing(session):
                try:
                    session.timeout = REPLY_MS
                    session.read_termination = session.write_termination = "\n"
                    reply = str(session.query(IDENTITY)).strip()[:REPLY_AT_MOST]
                except Exception as error:
                    return Seen(address, None, f"opens, and does not answer {IDENTITY}: {_short(error)}")
        clean = "".join(c if c.isprintable() else " " for c in reply)
        return Seen(address, clean) if clean else Seen(address, None, f"an empty reply to {IDENTITY}")


def _short(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:120]


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """A backend warns of each kind of bus that this machine lacks."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
