"""Dialect files: how one kind of instrument spells what a role wants. TOML in, checked commands out.

A dialect is found by its shipped name (`generator-a`) or by the path of a file of the bench's own
(`mine.dialect.toml`). All problems of a file are listed together.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from drivers import scpi
from drivers.capabilities import NEEDS, RoleName
from drivers.codec import Codec, load_codec
from drivers.codec_samples import codec_problems
from drivers.dialect_facts import Facts
from drivers.dialect_lines import Problem
from drivers.dialect_link import Errors, Link
from drivers.dialect_model import (
    Completion,
    DialectFile,
    Each,
    Reading,
    RelayWord,
    Repeated,
    Status,
    Trace,
)
from drivers.dialect_rules import problems_of
from drivers.dialect_samples import sample_problems
from drivers.dialect_shape import shape_problems
from drivers.error_text import NUMBERS, error_form
from drivers.errors import DialectError
from drivers.setting_text import SettingText, fill
from drivers.speaker import Greeting, Line, asked, told


class DialectProblems(DialectError):
    """A file that cannot be used; `problems` holds them all, as a DialectError it is the first."""

    def __init__(self, problems: Iterable[DialectError]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.file, first.key, first.value, first.remedy)
        self.args = ("\n".join(str(p) for p in self.problems),)


@dataclass(frozen=True)
class Dialect:
    """A checked file. name: as the bench names it. channel: of the instrument, fills `{channel}`. codec: the one the
    file names, loaded."""

    name: str
    file: DialectFile
    channel: int = 1
    codec: Codec | None = None

    @property
    def role(self) -> RoleName:
        return self.file.role

    @property
    def link(self) -> Link:
        return self.file.link

    @property
    def errors(self) -> Errors | None:
        return self.file.errors

    @property
    def facts(self) -> Facts:
        return self.file.facts

    @property
    def status(self) -> tuple[Status, ...]:
        return self.file.status

    @property
    def completion(self) -> Completion:
        assert self.file.completion is not None, f"{self.role} has no completion"
        return self.file.completion

    @property
    def trace(self) -> Trace:
        assert self.file.trace is not None, f"{self.role} has no trace"
        return self.file.trace

    @cached_property
    def settings(self) -> Mapping[str, SettingText]:
        """In the order in which the role sends them. What the file lists as absent is not in it."""
        wanted = NEEDS[self.role].settings
        tables, around = self.file.setting, (self.channel, self.select, self.facts.input_names or ())
        return {n: SettingText(n, w.place, tables[n], *around) for n, w in wanted.items() if n in tables}

    def input_name(self, number: int) -> str:
        """What the instrument calls this input."""
        return self.facts.input_names[number - 1] if self.facts.input_names else str(number)

    @property
    def select(self) -> tuple[str, ...]:
        """What is told before every message, where the instrument keeps the channel spoken to in itself."""
        return tuple(self.filled(line) for line in self.link.select)

    @property
    def relay_word(self) -> RelayWord | None:
        return self.file.relay_word

    def act(self, name: str, **values: str) -> tuple[str, ...]:
        """Messages of an act, such as `fire`; `values` fill its placeholders."""
        table = self.file.act[name]
        return told((self.filled(line, **values) for line in table.send), self.select, table.wait_s)

    def has_act(self, name: str) -> bool:
        """Whether the instrument has it; for those that may be absent."""
        return name in self.file.act

    @property
    def reads_contacts(self) -> bool:
        """Of a load switch: whether it tells the state of its relays."""
        return self.file.relay_word is not None or "states" in self.file.each

    def contacts_act(self, name: str, contacts: Iterable[str]) -> tuple[str, ...]:
        """As `act`, of contacts by their names."""
        return self.act(name, contacts=_listed(contacts, self.file.act[name].names_as))

    def each(self, name: str) -> Each:
        return self.file.each[name]

    def reading(self, name: str) -> tuple[Reading, ...]:
        return self.file.reading[name]

    def each_asked(self, name: str, names: Iterable[str]) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Questions for the values of these channels, each with the channels that its reply is about."""
        table, listed = self.each(name), tuple(names)
        if "{name}" in table.ask:
            return tuple((self._asked(table, name=one), (one,)) for one in listed)
        return ((self._asked(table, names=_listed(listed, table.names_as)), listed),)

    def reading_asked(self, part: Reading) -> str:
        """The question of one part of a reading."""
        return self._asked(part)

    def _asked(self, table: Reading | Each, **values: str) -> str:
        first = tuple(self.filled(line, **values) for line in table.first)
        return asked(self.filled(table.ask, **values), (*self.select, *first), table.bytes)

    def question(self, line: str, reply_bytes: int | None = None, *, raw: bool = False, **values: str) -> str:
        return asked(self.filled(line, **values), self.select, reply_bytes, raw=raw)

    def block_question(self, place: str) -> str:
        """Asks for the samples of the input `place`: for the first block of them, where there are several."""
        return self._block(self.trace.block_ask, place)

    def block_questions(self, place: str) -> tuple[str, str | None]:
        """Ask for the samples of the input `place`: for the first block, and for each one after it, if there are."""
        table = self.trace
        following = table.pieces.next_ask if table.pieces is not None else None
        return self.block_question(place), None if following is None else self._block(following, place)

    def _block(self, ask: str, place: str) -> str:
        question, table = self.question(ask, input=place), self.trace
        if not table.block_prefix and table.block_end:
            return question
        line = Line(question)
        line.first, line.block_ended = self.select, table.block_end
        line.block_prefix = self.filled(table.block_prefix, input=place)
        return line

    def make_safe_lines(self) -> tuple[str, ...]:
        """Messages harmless in any state, to be sent without waiting for replies."""
        lines = tuple(self.filled(line) for line in self.file.make_safe.send)
        return (*self.select, *lines) if lines else ()

    def greeting(self, identity_begins: str = "") -> Greeting:
        """What is said on each new connection. identity_begins: the bench's own text, if it is stricter."""
        identity, errors = self.file.identity, self.errors
        return Greeting(
            opening=self.link.opening,
            identity_ask=asked(identity.ask, reply_bytes=identity.bytes) if identity else "",
            identity_begins=identity_begins or (identity.begins if identity else ""),
            clear=self.link.clear,
            error_ask=errors.ask if errors else "",
            error_cap=errors.read_at_most if errors else 20,
            error_empty=errors.empty_if if errors else 0,
            error_form=error_form(errors) if errors else NUMBERS,
        )

    def self_check(self) -> tuple[DialectError, ...]:
        """Problems found by rendering each template and parsing each sample; empty if there are none."""
        return tuple(_named(self.name, sample_problems(self.file)))

    def filled(self, line: str, **values: str) -> str:
        """`line` with its placeholders replaced."""
        return fill(line, {"channel": str(self.channel)} | values)


def shipped_dialects() -> tuple[str, ...]:
    """Names of the dialects that come with the package."""
    folder = resources.files("drivers") / "dialects"
    return tuple(sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml")))


def load_dialect(name_or_path: str | Path, role: RoleName, channel: int = 1) -> Dialect:
    """The dialect `name_or_path` for `role`. Raises DialectProblems listing everything that is wrong.

    A text that ends in `.toml` is the path of a file, anything else a shipped name.
    """
    name = str(name_or_path)
    return dialect_from_text(_text(name), name, role, channel)


def load_any(name_or_path: str | Path, channel: int = 1) -> Dialect:
    """As `load_dialect`, for the role that the file itself says it is for."""
    name = str(name_or_path)
    text = _text(name)
    try:
        role: Any = tomllib.loads(text).get("role")
    except tomllib.TOMLDecodeError as error:
        raise DialectProblems([_not_toml(text, name, error)]) from error
    if role not in get_args(RoleName):
        remedy = f"say which role it is for: one of {', '.join(get_args(RoleName))}"
        raise DialectProblems([DialectError(name, "role", role, remedy)])
    return dialect_from_text(text, name, role, channel)


def dialect_from_text(text: str, name: str, role: RoleName, channel: int = 1) -> Dialect:
    """As `load_dialect`, from the text of a file; `name` stands in messages."""
    file = _parsed(text, name, role)
    problems = _named(name, problems_of(file)) or _named(name, sample_problems(file))
    if problems:
        raise DialectProblems(problems)
    return Dialect(name, file, channel, _codec(name, file))


def _codec(name: str, file: DialectFile) -> Codec | None:
    """The codec that the file names, run and proved by its samples. Raises DialectProblems."""
    if file.codec is None:
        return None
    try:
        codec = load_codec(name, file.codec)
    except DialectError as wrong:
        raise DialectProblems([wrong]) from wrong
    if problems := _named(name, codec_problems(file, codec)):
        raise DialectProblems(problems)
    return codec


def _listed(names: Iterable[str], names_as: Repeated) -> str:
    return scpi.channel_list(names) if names_as == "channel_list" else scpi.bare_names(names)


def _named(name: str, problems: Iterable[Problem]) -> list[DialectError]:
    return [DialectError(name, p.key, p.value, p.remedy) for p in problems]


def _text(name: str) -> str:
    try:
        if name.endswith(".toml"):
            return Path(name).read_text(encoding="utf-8")
        if name in shipped_dialects():
            return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DialectProblems([DialectError(name, "dialect", name, f"can't be read: {error}")]) from error
    remedy = f"no such dialect; shipped: {', '.join(shipped_dialects())}; a file of your own ends in .toml"
    raise DialectProblems([DialectError(name, "dialect", name, remedy)])


def _parsed(text: str, name: str, role: RoleName) -> DialectFile:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectProblems([_not_toml(text, name, error)]) from error
    if data.get("role") in get_args(RoleName) and data["role"] != role:
        # The remaining rules would speak of the other role and help nobody.
        remedy = f"this file is for a {data['role']}, the bench uses it for its {role}: name another file"
        raise DialectProblems([DialectError(name, "role", data["role"], remedy)])
    try:
        return DialectFile.model_validate(_tuples(data))
    except ValidationError as error:
        raise DialectProblems(_named(name, shape_problems(error))) from error


def _not_toml(text: str, name: str, error: tomllib.TOMLDecodeError) -> DialectError:
    """With the line itself, since the parser names no key (a key or table given twice ends here too)."""
    lines = text.splitlines() or [""]
    found = re.search(r"at line ([0-9]+)", str(error))
    number = int(found.group(1)) if found else len(lines)
    line = lines[min(number, len(lines)) - 1].strip()
    return DialectError(name, f"line {number}", line, f"not TOML, or given twice: {error}")


def _tuples(value: Any) -> Any:
    """Arrays of TOML are lists; frozen models hold tuples, and strict ones do not convert."""
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return tuple(_tuples(v) for v in value) if isinstance(value, list) else value
