"""One question about a bench, and what is allowed as its answer. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sequencer.plan.within_bench import _is_address as is_address
from sequencer.plan.wording import BARE_KEY

Check = Callable[[str], Any]
Answers = Mapping[str, Any]
YES, NO = ("yes", "y", "true"), ("no", "n", "false")
NAME_AT_MOST = 80


@dataclass(frozen=True)
class Question:
    """key: as an answers file names it. default: taken where nothing is answered; None: an answer is needed. example:
    one that is allowed. wrong: what was wrong with the answer before, and what is allowed. stand_in: allowed whatever
    else was answered, for who goes on past a wrong answer to find the other ones."""

    key: str
    words: str
    example: str
    default: str | None = None
    wrong: str | None = None
    stand_in: str | None = None


@dataclass(frozen=True)
class Identify:
    """Not for a person: who answers at this address? Sent back: its reply, "" where nobody looks or nobody answers."""

    address: str


def text(answer: str) -> str:
    if len(answer) > NAME_AT_MOST or not answer.isprintable():
        raise ValueError(f"at most {NAME_AT_MOST} characters that can be printed")
    return answer


def name(answer: str) -> str:
    if not answer:
        raise ValueError("some text, not nothing")
    return text(answer)


def among(allowed: Sequence[str]) -> Check:
    def check(answer: str) -> str:
        if answer not in allowed:
            raise ValueError(f"one of {', '.join(allowed)}")
        return answer

    return check


def yes_or_no(answer: str) -> bool:
    if answer.lower() not in (*YES, *NO):
        raise ValueError("yes or no")
    return answer.lower() in YES


def number(unit: str, most: float = math.inf, zero: bool = False) -> Check:
    """Above 0, or from 0 on."""

    def check(answer: str) -> float:
        least = "0 or more" if zero else "above 0"
        bound = f"a number {least}{f', at most {most:g}' if most < math.inf else ''}, in {unit}, with a decimal point"
        try:
            value = float(answer)
        except ValueError:
            raise ValueError(bound) from None
        if not (math.isfinite(value) and 0.0 <= value <= most) or (value == 0.0 and not zero):
            raise ValueError(bound)
        return value

    return check


def whole(least: int, most: int) -> Check:
    def check(answer: str) -> int:
        if not answer.isdecimal() or not least <= int(answer) <= most:
            raise ValueError(f"a whole number from {least} to {most}")
        return int(answer)

    return check


def several(each: Check, count: int | None = None, *, twice: bool = True) -> Check:
    """Answers with commas between; count: how many. twice: whether one may be there twice."""

    def check(answer: str) -> tuple[Any, ...]:
        parts = [one.strip() for one in answer.split(",") if one.strip()]
        if not parts or (count is not None and len(parts) != count):
            wanted = "one or more" if count is None else f"{count}"
            raise ValueError(f"{wanted}, with commas between")
        values = tuple(each(one) for one in parts)
        if len(set(parts)) < len(parts) and not twice:
            raise ValueError("each only once")
        return values

    return check


def or_nothing(check: Check) -> Check:
    return lambda answer: None if not answer else check(answer)


def or_word(word: str, check: Check) -> Check:
    return lambda answer: answer if answer == word else check(answer)


def day(answer: str) -> date:
    try:
        return date.fromisoformat(answer)
    except ValueError:
        raise ValueError("a date as in 2026-03-01") from None


def address(taken: Mapping[str, str]) -> Check:
    """taken: address -> role that has it."""

    def check(answer: str) -> str:
        if not is_address(answer):
            raise ValueError('a VISA address, as in "TCPIP::192.168.7.21::5025::SOCKET" or "GPIB0::7::INSTR"')
        if answer in taken:
            raise ValueError(f"role.{taken[answer]} has this address already: each only once")
        return answer

    return check


def contact(taken: Collection[str]) -> Check:
    """Of the load switch, as its instrument names it. taken: those that do something else already."""

    def check(answer: str) -> str:
        if not BARE_KEY.fullmatch(answer):
            raise ValueError("a contact as its instrument names it, as in 101: letters and digits")
        if answer in taken:
            raise ValueError("this contact does something else already: two loads may share one, but only in the file")
        return answer

    return check
