"""Who answers the questions about a bench: a person at a terminal, or a file of answers. Nothing is written here."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from sequencer.bench_new.interview import Talk
from sequencer.bench_new.questions import Answers, Identify, Question
from sequencer.errors import InputRefused, Problem
from sequencer.plan.wording import NOTHING, key_path, shown

Ask = Callable[[str], str]
Look = Callable[[str], str]
Say = Callable[[str], None]
NOT_ASKED = "no question has this name, or an answer before it makes it needless: leave it out"
ENDED = "the terminal ended before the last question: nothing is written"


def nobody_looks(address: str) -> str:
    return ""


def at_terminal(talk: Talk, ask: Ask, say: Say, look: Look = nobody_looks) -> Answers:
    """Each answer is checked as it is typed, and asked again where it is wrong. Raises InputRefused where it ends."""
    sent: str | None = None
    while True:
        try:
            question = next(talk) if sent is None else talk.send(sent)
        except StopIteration as done:
            return _answers(done)
        if isinstance(question, Identify):
            sent = look(question.address)
            continue
        if question.wrong is not None:
            say(f"  {question.wrong}")
        try:
            sent = ask(f"{question.words}{_offer(question)}: ")
        except EOFError:
            raise InputRefused([Problem("terminal", question.key, shown(NOTHING), ENDED)]) from None


def _offer(question: Question) -> str:
    if question.default is None:
        return f" (as in {question.example})"
    return f" [{question.default}]" if question.default else f" [nothing; as in {question.example}]"


def from_file(talk: Talk, path: Path, look: Look = nobody_looks) -> Answers:
    """Every answer from a TOML file; all that is wrong in it is listed together. Raises InputRefused."""
    given = _read(path)
    problems: list[Problem] = []
    used: set[str] = set()
    sent: str | None = None
    while True:
        try:
            question = next(talk) if sent is None else talk.send(sent)
        except StopIteration as done:
            answers = _answers(done)
            break
        if isinstance(question, Identify):
            sent = "" if problems else look(question.address)  # it may be a stand-in
            continue
        if question.wrong is not None:
            value = given.get(question.key, NOTHING)
            remedy = question.wrong.partition(": ")[2]
            remedy = f"this answer is needed: {remedy}" if question.key not in given else remedy
            problems.append(Problem(str(path), question.key, shown(value), remedy))
            sent = _goes_on(question, problems)
            continue
        used.add(question.key)
        sent = given.get(question.key, "")
    problems += [Problem(str(path), key, shown(value), NOT_ASKED) for key, value in given.items() if key not in used]
    if problems:
        raise InputRefused(problems)
    return answers


def _goes_on(question: Question, problems: list[Problem]) -> str:
    """What is allowed, so that the questions after it are held against the file too. Where even that is not, enough
    is told."""
    same = [one for one in problems if one.key == question.key]
    if len(same) > 1:
        problems.pop()
        raise InputRefused(problems)
    return question.stand_in or question.default or question.example


def _answers(done: StopIteration) -> Answers:
    found: Answers = done.value
    return found


def _read(path: Path) -> dict[str, str]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputRefused([Problem(str(path), "--answers", shown(str(path)), f"cannot be read: {error}")]) from None
    except ValueError as error:
        raise InputRefused([Problem(str(path), "(whole file)", "text", f"not TOML: {error}")]) from None
    return dict(_flat(data, ()))


def _flat(value: Any, place: tuple[int | str, ...]) -> Iterator[tuple[str, str]]:
    """Key paths and texts; a list of tables also says how many there are."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, (*place, key))
    elif isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
        yield key_path(place), str(len(value))
        for number, inner in enumerate(value):
            yield from _flat(inner, (*place, number))
    elif isinstance(value, list):
        yield key_path(place), ", ".join(map(_plain, value))
    else:
        yield key_path(place), _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
