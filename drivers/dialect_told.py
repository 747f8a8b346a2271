"""A dialect file told in lines: what it would send, and what it makes of the replies it shows. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.dialect import Dialect
from drivers.dialect_model import DialectFile, WordSetting
from drivers.dialect_samples import samples_of
from drivers.setting_text import fill

_SOME = ("101", "102")  # contacts, to show how several are written


def told_lines(dialect: Dialect) -> Iterator[str]:
    """For a person who compares them with the instrument's programming page. The file has passed its own check."""
    file = dialect.file
    yield f"{file.role}: {file.title} ({dialect.name}; {file.provenance})"
    if dialect.codec is not None:
        yield f"codec: {file.codec} beside it was run, and stands between all messages and the link"
    yield from _first_told(dialect)
    yield from _settings(dialect)
    yield from _replies(dialect)
    yield f"make safe: {_sent(dialect.make_safe_lines()) or 'nothing'}"
    yield f"the instrument does not have: {', '.join(file.absent) or 'nothing that this role could use'}"


def _replies(dialect: Dialect) -> Iterator[str]:
    file = dialect.file
    for name in file.act:
        yield f"act {name}: {_sent(dialect.contacts_act(name, _SOME))}"
    for name, parts in file.reading.items():
        for part in parts:
            for reading in part.samples:
                yield f"reading {name}: {part.ask} -> {reading.reply!r} is {dict(reading.means)}"
    for name, each in file.each.items():
        for one in each.samples:
            names = one.names or tuple(str(101 + n) for n in range(len(one.means)))
            question = " | ".join(ask for ask, _ in dialect.each_asked(name, names))
            yield f"each {name} of {', '.join(names)}: {question} -> {one.reply!r} is {list(one.means)}"
    for register in file.status:
        for bits in register.samples:
            yield f"status: {register.ask} -> {bits.reply!r} is {', '.join(bits.means) or 'nothing'}"
    yield from _rarer(file, dialect.input_name(1))


def _rarer(file: DialectFile, first_input: str) -> Iterator[str]:
    mode = file.setting.get("trigger_mode")
    by_itself = "arm_by_itself" in file.act or (isinstance(mode, WordSetting) and "by_itself" in mode.words)
    if file.role == "digitiser" and not by_itself:
        yield "a capture by itself: none, so outputs are not seen once a bench was made safe"
    if file.relay_word is not None:
        for word in file.relay_word.samples:
            yield f"relay word: {file.relay_word.ask} -> {word.reply!r} is on: {', '.join(word.means) or 'none'}"
    if file.trace is not None:
        asked = fill(file.trace.block_ask, {"input": first_input})
        if file.trace.pieces is not None:
            following = fill(file.trace.pieces.next_ask, {"input": first_input})
            yield f"trace of input 1 in blocks: {asked}, then {following} until all samples are there"
        for trace in file.trace.samples:
            yield f"trace of input 1: {asked}, code {trace.code} is {trace.volts:g} V"


def _first_told(dialect: Dialect) -> Iterator[str]:
    greeting = dialect.greeting()
    if greeting.opening:
        yield f"on each new connection: {_sent(greeting.opening)}"
    if greeting.identity_ask:
        yield f"identity: {greeting.identity_ask} -> must begin with {greeting.identity_begins!r}"
    else:
        yield "identity: none; a person must see that the port is the right one"
    if (errors := dialect.errors) is not None:
        empty = [repr(word) for word, number in errors.words.items() if number == errors.empty_if]
        yield f"errors: {errors.ask} until it answers {' or '.join(empty) or errors.empty_if}"


def _settings(dialect: Dialect) -> Iterator[str]:
    for name, text in dialect.settings.items():
        samples = samples_of(text.table)
        if not samples and isinstance(text.table, WordSetting):
            for word in text.table.words:
                yield f"setting {name} {word}: {_sent(text.messages(word))}; not readable"
        for reply, means, around in samples:
            sent = _sent(text.messages(means, around, 1))
            yield f"setting {name} {means}: {sent}; {text.question(1)} -> {reply!r}"


def _sent(lines: tuple[str, ...]) -> str:
    return " | ".join(lines)
