"""Steps of every role: who answers, that replies belong to their questions, errors that are seen, settings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress

from drivers import scpi
from drivers.capabilities import RoleName
from drivers.dialect_model import NumberSetting
from drivers.errors import InstrumentError, SettingRefused
from drivers.roles.capture import Capture
from drivers.roles.common import Conversation, Put
from sequencer.night.hands import Generator, Supply
from sequencer.night.wiring import OVER_VOLTAGE_FACTOR
from sequencer.proving.desk import Desk
from sequencer.proving.level_named import read_back_cause
from sequencer.proving.record import ProofStep
from sequencer.proving.setting_values import (
    Group,
    contacts_of,
    digitiser_groups,
    generator_groups,
    supply_groups,
)
from sequencer.proving.words import DIALECT, OPEN_LINK, Failed, NotSeen, broken, failed, held, not_seen

WRONG = "NOSUCH:THING 1"
EVENTS, POWER_ON = "*ESR?", 128  # IEEE 488.2, 11.5.1: bit 7 of the standard event status register
SAMPLES, BEFORE_S = 2000, 0.001
ROUNDS = 3


async def identity(desk: Desk, name: RoleName) -> ProofStep:
    """It opens, and answers as the bench file says: a failure here leaves the role out of all that follows."""
    actor, serial = desk.actor(name), desk.role(name).serial
    try:
        await actor.open()
    except InstrumentError as error:
        desk.lost[name] = "it did not answer as itself"
        return broken("identity", name, error)
    if not desk.dialects[name].file.identity:
        return not_seen("identity", name, "its dialect has no identity query")
    if serial and serial not in actor.identity:
        desk.lost[name] = "another instrument answers"
        sentence = f"{actor.identity!r} answers, and has not the serial {serial} of the bench file: another instrument"
        next_action = "Look which instrument is at this address; two alike may be swapped. Correct the bench file"
        return failed("identity", name, sentence, next_action)
    return held("identity", name, f"{actor.identity!r} answers")


async def replies(desk: Desk, name: RoleName) -> str:
    """Questions with known answers in turn: each reply belongs to its own question."""
    actor, known = desk.actor(name), desk.dialects[name].file.identity
    if known is None:
        raise NotSeen("its dialect has no identity query, whose answer is known")
    errors = desk.dialects[name].errors
    other = errors.ask if errors is not None else ""
    for _ in range(ROUNDS):
        for question in (known.ask, other, known.ask):
            if not question:
                continue
            reply = (await actor.ask(desk.dialects[name].question(question, known.bytes))).strip()
            is_identity = reply == actor.identity.strip()
            if is_identity is not (question == known.ask):
                raise Failed(
                    f"{question} was answered by {reply[:60]!r}: a late reply, that of another question",
                    "Give it more time (reply_within_s), or a gap between messages (gap_s) in its dialect file",
                )
    return f"{3 * ROUNDS} questions each had their own reply"


async def errors_seen(desk: Desk, name: RoleName) -> str:
    """A wrong command leaves an error; the queue is empty before and after."""
    dialect = desk.dialects[name]
    if dialect.errors is None:
        raise NotSeen("its dialect says that it has no error queue: what it refuses is seen by reading back only")
    if dialect.link.acknowledge is not None:
        raise NotSeen("a wrong command would break its exchange of messages")
    talk = desk.talk(name)
    await talk.drain("before a wrong command")
    await desk.actor(name).tell(*dialect.select, WRONG)
    try:
        await talk.drain("a command that is wrong on purpose")
    except SettingRefused as seen:
        await talk.drain("after the wrong command was taken from the queue")
        return f"a wrong command was seen, then the queue was empty: {seen.sentence.split(': ')[1]}"
    raise Failed(
        f"the wrong command {WRONG!r} left no error in its queue: errors are never seen",
        "Look how this instrument tells errors, and correct [errors] in its dialect file",
    )


async def note_start(desk: Desk, name: RoleName) -> None:
    """Its power-on event read, and so cleared; not asked again where it has none."""
    dialect, actor = desk.dialects[name], desk.actor(name)
    if dialect.link.clear == "*CLS" and dialect.link.acknowledge is None:
        with suppress(InstrumentError):
            await _events(desk, name)
            desk.has_events.add(name)
    desk.openings[name] = actor.openings


async def _events(desk: Desk, name: RoleName) -> int:
    return scpi.whole(await desk.actor(name).ask(desk.dialects[name].question(EVENTS)), name)


async def no_restart(desk: Desk, name: RoleName, has_failed: bool) -> str:
    """No power-on event since the beginning, and a link that never had to be opened again. has_failed: a step of this
    role did, and may have cost it the link."""
    if name in desk.has_events and await _events(desk, name) & POWER_ON:
        look = "Look at its mains lead and its own supply; a restart loses all settings"
        raise Failed("its power-on event stands: it restarted while it was proved", look)
    if desk.actor(name).openings > desk.openings.get(name, 0):
        if has_failed:
            raise NotSeen("its link was opened again after a step that failed")
        raise Failed("its link was opened again while it was proved: it drops", OPEN_LINK)
    if name not in desk.has_events:
        raise NotSeen("its link stayed open; it has no event that tells a restart")
    return "its link stayed open, and no power-on event stands"


async def settings(desk: Desk, name: RoleName) -> str:
    """Each setting over several values, one at a time, its queue drained and read back."""
    talk = desk.talk(name)
    match name:
        case "generator":
            level = talk.setting("level").table
            assert isinstance(level, NumberSetting)
            unit = "vpp" if "_to_vpp" in level.convert else "vrms"
            least_vrms = desk.hands.generator.smallest_vrms
            await _prepared(desk.hands.generator, talk, generator_groups(desk.bench, least_vrms, unit))
            count = await _each(talk, generator_groups(desk.bench, least_vrms, unit))
            await desk.hands.generator.prepare()
        case "supply":
            ceiling_v = OVER_VOLTAGE_FACTOR * desk.bench.ceiling.supply_v
            await _prepared(desk.hands.supply, talk, supply_groups(desk.bench, ceiling_v))
            count = await _each(talk, supply_groups(desk.bench, ceiling_v))
            await desk.hands.supply.prepare()
        case "digitiser":
            count = await _digitiser(desk, talk)
        case "load_switch":
            return await contacts(desk)
        case "thermometer":
            await desk.hands.thermometer.prepare()
            return "sensor and unit were set and read back, where it has them"
        case "meter":
            assert desk.hands.meter is not None
            await desk.hands.meter.prepare()
            for vrms in (0.1, 1.0, 10.0):
                await desk.hands.meter.set_range(vrms)
            return "function and 3 ranges were set and read back"
        case "cut_off":
            assert desk.hands.cut_off is not None
            await desk.hands.cut_off.prepare()
            return "dropped, and its hold time was set and read back"
        case _:
            assert desk.hands.interlock is not None
            await desk.hands.interlock.prepare()
            return "nothing is set; its queue is empty"
    return f"{count} values were set, read back alike, and left no error"


async def _prepared(role: Generator | Supply, talk: Conversation, groups: Iterator[Group]) -> None:
    """Where preparing it is refused, each setting by itself, so that the one is named."""
    await talk.put("output off", Put("output", False))
    try:
        await role.prepare()
    except SettingRefused:
        await _each(talk, groups)
        raise


async def _each(talk: Conversation, groups: Iterator[Group]) -> int:
    count = 0
    for group in groups:
        there = [put for put in group if talk.has(put.name)]
        for put in there:
            what = f"{put.name}{f' of input {put.input}' if put.input else ''} to {put.value}"
            try:
                await talk.put(f"setting {what}", put)
            except SettingRefused as refused:
                if (cause := await _cause(talk, put, refused)) is not None:
                    raise Failed(f"{refused.sentence}: {cause}", DIALECT) from refused
                raise
            count += 1
    return count


async def _cause(talk: Conversation, put: Put, refused: SettingRefused) -> str | None:
    """Of a number that was taken and reads back as another one."""
    if "reads back" not in refused.sentence or isinstance(put.value, bool | str) or not put.value:
        return None
    try:
        found = await talk.ask_setting(put.name, put.input, put.around)
    except InstrumentError:
        return None
    return None if isinstance(found, bool | str) else read_back_cause(put.name, found / put.value)


async def _digitiser(desk: Desk, talk: Conversation) -> int:
    """Each input by itself; then each range and rate of the bench file, which must be one of the instrument's."""
    bench, digitiser = desk.bench, desk.digitiser
    factors = {int(n.removeprefix("ch")): bench.input[n].factor if n in bench.input else 1.0 for n in bench.wiring}
    await digitiser.prepare()
    count = 0
    for number, factor in factors.items():
        count += await _each(talk, digitiser_groups(bench, number, factor))
    await digitiser.prepare()
    rates = sorted(bench.digitiser.rates_hz)
    for place, one in enumerate(bench.range):
        inputs = factors if one.input == "all" else {int(one.input.removeprefix("ch")): bench_factor(desk, one.input)}
        rate_hz = min(rates[place % len(rates)], 1e6 if len(inputs) > 2 else math.inf)
        asked = {n: one.full_scale_v * factor for n, factor in inputs.items()}
        found = await digitiser.set_capture(Capture(asked, rate_hz, SAMPLES, BEFORE_S))
        for number, full_scale_v in found.full_scale_v.items():
            if not math.isclose(full_scale_v, asked[number], rel_tol=0.02):
                tip = full_scale_v / inputs[number]
                sentence = f"range {one.full_scale_v:g} V of input {number} was asked for, it reads back {tip:g} V"
                raise Failed(sentence, "Correct [[range]] in the bench file, or half_divisions in the dialect file")
        if not math.isclose(1.0 / found.sample_interval_s, rate_hz, rel_tol=1e-3):
            sentence = f"{rate_hz:g} samples a second were asked for, {1.0 / found.sample_interval_s:g} read back"
            raise Failed(sentence, "Correct rates_hz in the bench file, or sample_rate in the dialect file")
        count += 1 + len(asked)
    return count


def bench_factor(desk: Desk, name: str) -> float:
    """Of the probe at an input."""
    one = desk.bench.input.get(name)
    return 1.0 if one is None else one.factor


async def contacts(desk: Desk) -> str:
    """Each contact closed alone: its own coil reads closed, and no other."""
    switch, names = desk.hands.load_switch, contacts_of(desk.bench)
    await switch.prepare()
    await switch.open_all()
    if not switch.reads_back:
        raise NotSeen("its relays can't be read back: what they do is proved by what is measured behind them")
    stuck = [name for name, on in (await switch.states(names)).items() if on]
    if stuck:
        sentence = f"contact {', '.join(stuck)} reads closed after all were opened: welded or stuck, or another's place"
        raise Failed(sentence, "Look at that relay by its own lamp or a continuity meter; do not power the bench")
    for name in names:
        try:
            await switch.close([name])
            also = [other for other, on in (await switch.states(names)).items() if on and other != name]
            if also:
                raise Failed(f"contact {name} was closed alone, {', '.join(also)} reads closed too", DIALECT)
            await switch.open([name])
        except SettingRefused as refused:
            stays = f"open {name}" in refused.sentence
            word = "stays closed after it was opened: welded or stuck" if stays else "does not close"
            look = "Look at that relay, its supply and its place in the bench file"
            raise Failed(f"contact {name} {word} ({refused.sentence})", look) from refused
    return f"{len(names)} contacts each closed alone and opened again, as their coils tell"
