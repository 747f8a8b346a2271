"""First power where a person works the supply, or the mains: what that person is asked, and what the digitiser sees.

On the mains: a lamp in series and a variable transformer that is raised slowly. Behind the lamp nothing is driven; it
is taken out before. A variable transformer limits volts, not current, and isolates nothing. Pure.
"""

from __future__ import annotations

from collections.abc import Generator

from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.bench_check_supply import rail_of, rail_scale_v
from sequencer.measurements.by_hand import DONE, NO
from sequencer.measurements.first_power_book import Book
from sequencer.measurements.hand_idle import asked, idle_value, too_high
from sequencer.measurements.output_offset import silence
from sequencer.measurements.requests import Answer, Ask, Quiet, Remote, Reply, Request, Rest, SetSupply
from sequencer.measurements.switching import most_a
from sequencer.measurements.values import Value, ValueJob, Values, expanded, shot_of
from sequencer.plan.promises import NO_SUPPLY
from sequencer.plan.window import SILENCE_READ_S

LIMIT_A = 6.0  # common practice, no source
PARTS = (0.5, 1.0)  # of the volts, for a stage that is fed directly (our own choice)
SHORTED = "Do not power it: look for a short at its supply input, a shorted output device, reversed polarity"
DIM, BRIGHT = "dim", "bright"
LAMP_IN = (
    "It is off at the mains. Isolating transformer, then the variable transformer turned down to nought, then a lamp "
    "in series with the unit: when all are in place, say so."
)
LAMP_OUT = "It is off at the mains. Take the lamp out of the circuit, then say so: nothing is driven behind it."
LAMP_SEEN = "Does the lamp stay dark or go dim after a flash (dim), or stay bright (bright)?"


Part = Generator[Request, Reply, Values | None]


def first_power_by_hand(job: ValueJob) -> Generator[Request, Reply, Values]:
    """What could not be seen is said; a unit that draws the limit, or keeps a lamp bright, is off for good."""
    book = Book(job, SHORTED)
    ended = yield from (_mains(book) if job.around.unit.front_end == "mains" else _supply(book))
    if ended is not None:
        yield _off(job)
        return ended
    yield from _rail(book)
    book.values.append(not_measured("mute time", "s", f"{NO_SUPPLY}: a person switches it on"))
    return book.closed()


def _off(job: ValueJob) -> SetSupply:
    return SetSupply(job.point.supply_v, most_a(job), on=False)


def _supply(book: Book) -> Part:
    """A converter gets its full volts at once, a stage that is fed directly in parts."""
    job, unit = book.job, book.job.around.unit
    limit_a = min(LIMIT_A, most_a(job))
    for part in PARTS if unit.front_end == "linear" else (1.0,):
        yield SetSupply(part * job.point.supply_v, limit_a)
        yield Remote(True)
        yield Rest(unit.mute_s)
        words = f"Should it stay at its limit of {limit_a:g} A, or its volts fall, type {limit_a:g}."
        seen = yield from asked(job, words)
        if seen is None:
            return book.closed("a person must watch the supply's meter; nobody said what it shows")
        if seen >= limit_a:
            sentence = f"it draws {seen:g} A at {part * job.point.supply_v:g} V, the limit set"
            book.refuse(sentence)
            return book.closed()
    book.values.append(idle_value(job, "idle current, when first powered", seen or 0.0, judged=False))
    found, book.no_drive = too_high(job, seen or 0.0)
    book.findings += found
    yield SetSupply(job.point.supply_v, most_a(job))
    return None


def _mains(book: Book) -> Part:
    job = book.job
    if (yield from _says(job, LAMP_IN, (DONE, NO))) != DONE:
        return book.closed("a person must put a lamp in series; nobody said that it was done")
    yield SetSupply(job.point.supply_v, most_a(job))
    yield Remote(True)
    lamp = yield from _says(job, LAMP_SEEN, (DIM, BRIGHT, NO))
    if lamp == BRIGHT:
        sentence = "the lamp in series stays bright"
        book.refuse(sentence)
        return book.closed()
    if lamp != DIM:
        return book.closed("a person must watch the lamp; nobody said what it does")
    shot, shots = yield from silence(job)
    book.shots += shots
    for channel in job.channels:
        record = shot.records[channel.input]
        volts = None if record.overloaded else float(record.volts[record.volts.size // 2 :].mean())
        reason = "undriven; the lamp is in circuit, so the rails are low"
        book.values.append(Value("offset behind the lamp", volts, "V", channel.name, reason=reason))
    yield _off(job)
    if (yield from _says(job, LAMP_OUT, (DONE, NO))) != DONE:
        book.no_drive = "not driven: nobody said that the lamp was taken out of the circuit"
        return book.closed(book.no_drive)
    yield SetSupply(job.point.supply_v, most_a(job))
    seen = yield from asked(job, "The lamp is out of the circuit.")
    if seen is None:
        book.values.append(not_measured("idle power", "W", "nobody typed what a power meter shows"))
    else:
        book.values.append(idle_value(job, "idle power, when first powered", seen, judged=False))
    return None


def _says(job: ValueJob, words: str, choices: tuple[str, ...]) -> Generator[Request, Reply, str]:
    reply = yield Ask(f"Unit {job.around.unit.serial}: {words}", choices, NO)
    assert isinstance(reply, Answer)
    return reply.choice


def _rail(book: Book) -> Generator[Request, Reply, None]:
    job, bench = book.job, book.job.around.bench
    name = bench.input_for("rail")
    if name is None or job.around.unit.front_end == "mains":
        reason = "no digitiser input sees the rail" if name is None else "the rail is not the mains"
        book.values.append(not_measured("supply at the unit", "V", reason))
        return
    shot = shot_of((yield Quiet(SILENCE_READ_S, {name: rail_scale_v(job.point.supply_v)})))
    book.shots += 1
    record = shot.records[name]
    if record.overloaded:
        book.values.append(not_measured("supply at the unit", "V", f"beyond {record.full_scale_v:.3g} V on {name}"))
        return
    rail = rail_of(bench, name, record)
    expanded_v, factor = expanded(rail.parts)
    book.values.append(Value("supply at the unit", rail.volts, "V", None, expanded_v, factor))
