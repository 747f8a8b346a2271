"""What ends a point without a limit: an instrument or the guardian fails. Each has a name in the table. Pure.

Errors are told apart by the names of their classes: the rules need nothing of the drivers.
"""

from __future__ import annotations

from sequencer.safety.rules_model import Breach
from sequencer.safety.table import BY_NAME

NAME_OF_ERROR = {
    "WrongIdentity": "identity changed",
    "SettingRefused": "settings differ",
    "CeilingPassed": "ceiling passed",
    "NotANumber": "no number",
    "NotFinished": "instrument not done",
    "LinkTimeout": "instrument does not answer",
    "LinkClosed": "instrument does not answer",
    "LinkRefused": "instrument does not answer",
    "GarbledReply": "instrument does not answer",
    "BrokenOff": "instrument does not answer",
    "InstrumentError": "instrument does not answer",
    "OverloadRemains": "digitiser overload",
}


def rule_of(error: Exception) -> str | None:
    """The rule by which an error ends a point, by its class or the nearest one above it; None: no such error."""
    names = (kind.__name__ for kind in type(error).__mro__)
    return next((NAME_OF_ERROR[name] for name in names if name in NAME_OF_ERROR), None)


def event(kind: str, role: str, sentence: str) -> Breach:
    """kind: a rule's name. role: the instrument, or "guardian". Raises KeyError for a name that is not in the table."""
    return Breach(BY_NAME[kind].name, f"{role}: {sentence}", role, None, None)
