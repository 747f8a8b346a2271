"""An entry of an instrument's error queue, as a number or as words. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from drivers import scpi
from drivers.dialect_link import Errors
from drivers.reply_forms import PLAIN, ReplyForm, value_in
from drivers.scpi import ErrorEntry

# SCPI-1999 vol. 2, 21.8 (from memory): the number of an error that is the instrument's own.
DEVICE_ERROR = -300


@dataclass(frozen=True)
class ErrorForm:
    """reply: where the number stands. words: what the instrument answers instead of numbers, with ours for them."""

    reply: ReplyForm = PLAIN
    words: tuple[tuple[str, int], ...] = ()

    def entry(self, reply: str, instrument: str) -> ErrorEntry:
        """Raises GarbledReply where it is none."""
        body = value_in(self.reply, reply, instrument)
        if not self.words:
            return scpi.error_entry(body, instrument)
        return ErrorEntry(_number(body, self.words), body.strip())


NUMBERS = ErrorForm()


def error_form(errors: Errors) -> ErrorForm:
    return ErrorForm(errors.reply, tuple(errors.words.items()))


def _number(body: str, words: Iterable[tuple[str, int]]) -> int:
    found = (number for word, number in words if body.strip().upper() == word.strip().upper())
    return next(found, DEVICE_ERROR)
