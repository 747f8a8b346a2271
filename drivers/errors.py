"""What can go wrong between us and an instrument: one class per situation.

Each carries the instrument's name on the bench, so that a message can be acted on. A number that came with one of
these errors is never used.
"""

from __future__ import annotations


class InstrumentError(Exception):
    """Base class. `instrument` is the role or name on the bench."""

    def __init__(self, instrument: str, sentence: str) -> None:
        super().__init__(f"{instrument}: {sentence}")
        self.instrument = instrument
        self.sentence = sentence


class LinkTimeout(InstrumentError):
    """No complete reply before the deadline; the link was torn down."""


class LinkClosed(InstrumentError):
    """The instrument ended the connection (they did it, not we)."""


class LinkRefused(InstrumentError):
    """No connection could be made."""


class GarbledReply(InstrumentError):
    """Bytes came that are not a reply to what was asked: too long, surplus, not text, a broken block."""


class BrokenOff(InstrumentError):
    """We ended the exchange ourselves: something more urgent came, or the link is being closed."""


class WrongIdentity(InstrumentError):
    """Somebody answered, but not the instrument the bench file names."""


class NotANumber(InstrumentError):
    """A sentinel (overload, not a number) or a non-finite value came where a number was asked."""


class SettingRefused(InstrumentError):
    """The instrument queued an error, or reads back something other than what was set."""


class NotFinished(InstrumentError):
    """It did not get done in time what it was told to do; the link is in step and stays open."""


class CeilingPassed(InstrumentError):
    """A command would have exceeded a ceiling; it was not sent."""


class GuardExpired(Exception):
    """The real-time guard of a dry run ran out in a read: a simulator is broken. Never an instrument's fault."""


class DialectError(Exception):
    """A dialect file that cannot be used: file, key path, value (None: nothing is there), remedy."""

    def __init__(self, file: str, key: str, value: object, remedy: str) -> None:
        self.found = "(not there)" if value is None else repr(value)
        super().__init__(f"{file}: {key} = {self.found}: {remedy}")
        self.file, self.key, self.value, self.remedy = file, key, value, remedy
