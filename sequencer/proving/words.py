"""How a step of a proof is told: held, failed with what to do next, or not seen with the reason. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.errors import (
    GarbledReply,
    InstrumentError,
    LinkClosed,
    LinkRefused,
    LinkTimeout,
    NotANumber,
    NotFinished,
    WrongIdentity,
)
from sequencer.proving.record import ProofStep, ProofValue

OPEN_LINK = "Look at cable, address and power, and whether another program holds it; then prove the bench again"
DIALECT = "Hold the dialect file against the instrument's manual and its own display; correct the file"


class NotSeen(Exception):
    """This bench has nothing to see it with; the text says why."""


class Failed(Exception):
    """What was seen is not as it should be: sentence, next action, figures."""

    def __init__(self, sentence: str, next_action: str, values: Sequence[ProofValue] = ()) -> None:
        super().__init__(sentence)
        self.next_action, self.values = next_action, tuple(values)


def held(name: str, about: str, sentence: str, values: Sequence[ProofValue] = ()) -> ProofStep:
    return ProofStep(name=name, about=about, outcome="held", sentence=sentence, values=tuple(values))


def not_seen(name: str, about: str, why: str) -> ProofStep:
    return ProofStep(name=name, about=about, outcome="not seen", sentence=why)


def failed(name: str, about: str, sentence: str, next_action: str, values: Sequence[ProofValue] = ()) -> ProofStep:
    return ProofStep(
        name=name, about=about, outcome="failed", sentence=sentence, next_action=next_action, values=tuple(values)
    )


def broken(name: str, about: str, error: InstrumentError) -> ProofStep:
    """A step that an instrument's error ended."""
    other = "" if error.instrument in about else f"{error.instrument}: "
    return failed(name, about, f"{other}{error.sentence}", next_for(error))


def next_for(error: InstrumentError) -> str:
    """What a person does about it, by the kind of error."""
    match error:
        case WrongIdentity():
            return "Look which instrument is at that address; correct address, identity or dialect in the bench file"
        case LinkTimeout() | LinkClosed() | LinkRefused():
            return OPEN_LINK
        case GarbledReply():
            return "Hold its replies against the dialect file (`nightramp dialect FILE`): ends, labels, blocks, numbers"
        case NotANumber():
            return "Look at the input on the instrument's own display: open, overloaded, or another kind of sensor"
        case NotFinished():
            return "Look at the trigger lead and at the completion table of its dialect file"
        case _:
            return DIALECT


def listed(names: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else list(names))
