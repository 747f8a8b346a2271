"""The self-check of a dialect file: each template renders, each sample reply parses to what it means. Pure.

It needs no instrument. Run it only on a file without problems of form.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from functools import partial

from drivers.capabilities import NEEDS
from drivers.conversions import Surroundings
from drivers.dialect_lines import Problem
from drivers.dialect_model import BooleanSetting, DialectFile, NumberSetting, Setting
from drivers.errors import InstrumentError, NotANumber
from drivers.pieces import sample_codes
from drivers.reply_text import bits_set, each_value, preamble, reading_values, relays_on
from drivers.setting_text import NOWHERE, SettingText, Value

_ASKED = "sample"  # stands for the instrument's name in messages


def sample_problems(file: DialectFile) -> list[Problem]:
    """Samples that do not parse to what the file says, messages that do not render."""
    found = [*_settings(file), *_readings(file), *_each(file), *_status(file)]
    return [*found, *_trace(file), *_relay_word(file)]


def _says(read: Callable[[], object], means: object) -> str | None:
    """None if `read()` gives what the sample means, else what it gives. nan among it: that there is no reading."""
    nothing = isinstance(means, Mapping) and any(isinstance(x, float) and math.isnan(x) for x in means.values())
    try:
        got = read()
    except InstrumentError as error:
        return None if nothing and isinstance(error, NotANumber) else error.sentence
    if nothing:
        return f"it parses to {got!r}, not to no reading: add the word to no_reading, or a mark"
    return None if _alike(got, means) else f"it parses to {got!r}, not {means!r}"


def _alike(got: object, means: object) -> bool:
    if isinstance(got, dict) and isinstance(means, dict):
        return got.keys() == means.keys() and all(_alike(got[k], means[k]) for k in means)
    if isinstance(got, bool) or isinstance(means, bool):
        return got is means
    if isinstance(got, int | float) and isinstance(means, int | float):
        return got == means or math.isclose(got, means, rel_tol=1e-6, abs_tol=1e-12)
    return got == means


def _settings(file: DialectFile) -> Iterator[Problem]:
    for name, table in file.setting.items():
        text = SettingText(name, NEEDS[file.role].settings[name].place, table)
        for n, (reply, means, around) in enumerate(samples_of(table)):
            key = f"setting.{name}.samples[{n}]"
            yield from _setting_sample(key, text, reply, means, around)


def samples_of(table: Setting) -> list[tuple[str, Value, Surroundings]]:
    """(reply, what it means, what its conversion needs to know)."""
    if isinstance(table, NumberSetting):
        return [
            (s.reply, s.means, Surroundings(s.record_s or math.nan, math.nan, s.interval_s or math.nan, s.attenuation))
            for s in table.samples
        ]
    if isinstance(table, BooleanSetting):
        return [(s.reply, s.means, NOWHERE) for s in table.samples]
    return [(s.reply, s.means, NOWHERE) for s in table.samples]


def _setting_sample(key: str, text: SettingText, reply: str, means: Value, around: Surroundings) -> Iterator[Problem]:
    remedy = _says(lambda: text.parse(reply, _ASKED, around), means)
    if remedy:
        yield Problem(key, reply, remedy)
        return
    try:
        text.messages(means, around, 1)
    except (KeyError, ArithmeticError, ValueError) as error:
        yield Problem(key, means, f"it can't be sent: {error!r}")
        return
    if isinstance(text.table, NumberSetting):
        yield from _compared(key, text, reply, float(means), around)


def _compared(key: str, text: SettingText, reply: str, means: float, around: Surroundings) -> Iterator[Problem]:
    """The read-back must agree with itself as sent, and must not agree with a value 1 % off."""
    table = text.table
    assert isinstance(table, NumberSetting)
    if table.within is None and table.within_relative is None:
        return
    if not text.agrees(means, reply, _ASKED, around):
        yield Problem(key, reply, "it does not agree with its own value as sent: too few digits, or within too small")
    if means == 0 or not math.isfinite(means):
        return
    off = means * 1.01
    told_apart = text.value_text(off, around) != text.value_text(means, around)
    if told_apart and text.agrees(off, reply, _ASKED, around):
        yield Problem(key, reply, "a value 1 % off would agree with it too: make within smaller")


def _readings(file: DialectFile) -> Iterator[Problem]:
    for name, parts in file.reading.items():
        for p, part in enumerate(parts):
            for n, sample in enumerate(part.samples):
                remedy = _says(partial(reading_values, part, sample.reply, _ASKED), sample.means)
                if remedy:
                    yield Problem(f"reading.{name}[{p}].samples[{n}]", sample.reply, remedy)


def _each(file: DialectFile) -> Iterator[Problem]:
    for name, table in file.each.items():
        for n, sample in enumerate(table.samples):
            names = sample.names or tuple(str(101 + k) for k in range(len(sample.means)))
            if len(names) != len(sample.means):
                yield Problem(f"each.{name}.samples[{n}].names", names, "one name for each of `means`")
                continue
            means = dict(zip(names, sample.means, strict=True))
            remedy = _says(partial(each_value, table, sample.reply, names, _ASKED), means)
            if remedy:
                yield Problem(f"each.{name}.samples[{n}]", sample.reply, remedy)


def _status(file: DialectFile) -> Iterator[Problem]:
    for r, register in enumerate(file.status):
        for n, sample in enumerate(register.samples):
            means = frozenset(sample.means)
            remedy = _says(partial(bits_set, register, sample.reply, _ASKED), means)
            if remedy:
                yield Problem(f"status[{r}].samples[{n}]", sample.reply, remedy)


def _relay_word(file: DialectFile) -> Iterator[Problem]:
    if (table := file.relay_word) is None:
        return
    for n, sample in enumerate(table.samples):
        remedy = _says(lambda reply=sample.reply: relays_on(table, reply, _ASKED)[1], frozenset(sample.means))  # type: ignore[misc]
        if remedy:
            yield Problem(f"relay_word.samples[{n}]", sample.reply, remedy)


def _trace(file: DialectFile) -> Iterator[Problem]:
    if (table := file.trace) is None:
        return
    for n, pieces in enumerate(table.pieces.samples if table.pieces is not None else ()):
        remedy = _says(partial(sample_codes, table, pieces, _ASKED), pieces.codes)
        if remedy:
            yield Problem(f"trace.pieces.samples[{n}]", list(pieces.blocks), remedy)
    for n, sample in enumerate(table.samples):
        key = f"trace.samples[{n}]"
        try:
            read = preamble(table, sample.reply, _ASKED, sample.asked)
        except InstrumentError as error:
            yield Problem(key, sample.reply, error.sentence)
            continue
        if not _alike(read.terms, dict(sample.means)):
            yield Problem(key, sample.reply, f"it parses to {read.terms!r}, not {dict(sample.means)!r}")
        if not _alike(read.line.volts(sample.code), sample.volts):
            volts = read.line.volts(sample.code)
            yield Problem(f"{key}.volts", sample.volts, f"code {sample.code} is {volts:.6g} V by the formula")
