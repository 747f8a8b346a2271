"""`first_power`: how a unit that nobody has powered yet comes alive, under a low current limit.

A converter is constant power: raised slowly it stalls. So it gets full volts with its remote line open, then the
remote line. A stage fed directly gets its rail in parts. A mains unit needs a person. Pure.
"""

from __future__ import annotations

from collections.abc import Generator

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.bench_check_supply import (
    Drawn,
    lead_by_difference,
    lead_findings,
    rail_of,
    rail_scale_v,
    sense_findings,
)
from sequencer.measurements.first_power_book import Book
from sequencer.measurements.first_power_waking import Waking, wake
from sequencer.measurements.hand_first_power import first_power_by_hand
from sequencer.measurements.idle_watch import HIGH_FACTOR, LOOK
from sequencer.measurements.requests import BenchReading, Quiet, ReadBench, Remote, Reply, Request, Rest, SetSupply
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, near, scatter, shot_of
from sequencer.plan.estimate_checks import (
    INRUSH_S,
    RAIL_PARTS,
    RAIL_READINGS,
    STANDBY_PAUSE_S,
    STANDBY_WINDOWS,
)
from sequencer.plan.window import SILENCE_READ_S

STANDBY_LIMIT_A, IDLE_LIMIT_A = 2.0, 6.0  # common practice, no source
IDLE_LIMIT_FACTOR = 1.5  # of the window's upper end, for a stage that is fed directly
STEADY_PART, STEADY_LEAST_A = 0.1, 0.02  # spread of the idle readings (common practice, no source)
LOW_VOLTS = 0.9  # of those set: below it the supply is held down
SHORTED = "Do not power it: look for a short at its supply input, a shorted converter transistor, reversed polarity"
MAINS = "first power of a mains unit needs a person, a lamp in series and a contactor"
NO_CONTACT = "no remote contact in this bay"
NO_LINE = "the unit's file says it has no remote line"
METER_NOTE = "uncertainty: of repeat readings; the meter's own is not declared"
IN_PARTS = "the rail is raised in parts: there is no one instant from which to count"


def first_power(job: ValueJob) -> ValueTalk:
    """Standby and idle current, mute time, thump; what is found may leave the unit switched off, or undriven."""
    unit = job.around.unit
    if "supply" in job.around.bench.by_hand:
        return (yield from first_power_by_hand(job))
    if unit.front_end == "mains":
        return Values(reason=MAINS, no_power=f"not powered: {MAINS}")
    book = Book(job, SHORTED)
    if unit.front_end == "converter":
        little = yield from _standby(book)
    else:
        yield from _in_parts(book)
        little = None
    if book.no_power is None:
        yield from _alive(book, little)
    if book.no_power is not None:
        yield Remote(False)
        yield SetSupply(job.point.supply_v, STANDBY_LIMIT_A, on=False)
    else:
        yield SetSupply(job.point.supply_v, _most_a(job))
    return book.closed()


def _most_a(job: ValueJob) -> float:
    """Of a unit that works."""
    return min(job.around.unit.supply_a_max, job.around.bench.ceiling.supply_a)


def _idle_limit_a(job: ValueJob) -> float:
    return min(IDLE_LIMIT_A, _most_a(job))


def _no_remote(job: ValueJob) -> str | None:
    """Why the remote line can't be switched; None where it can."""
    if job.around.bay.remote_contact is None:
        return NO_CONTACT
    return None if job.around.unit.remote_line else NO_LINE


def _standby(book: Book) -> Generator[Request, Reply, Drawn | None]:
    """Full volts, remote line open: ten meter windows, and the rail beside them where an input sees it."""
    job = book.job
    yield Remote(False)
    if (why := _no_remote(job)) is not None:
        book.values.append(not_measured("standby current", "A", why))
        return None
    yield SetSupply(job.point.supply_v, min(STANDBY_LIMIT_A, _most_a(job)))
    yield Rest(INRUSH_S)
    readings = yield from _windows(job)
    if (why := _held_down(job, readings)) is not None:
        book.refuse(f"{why}, with its remote line open")
        return None
    _judge_standby(book, readings)
    return (yield from _drawn(book, readings))


def _windows(job: ValueJob) -> Generator[Request, Reply, tuple[BenchReading, ...]]:
    """Ten; fewer where the supply is held down in two of them, one after the other: it is not left so."""
    found: list[BenchReading] = []
    for _ in range(STANDBY_WINDOWS):
        reply = yield ReadBench()
        assert isinstance(reply, BenchReading)
        found.append(reply)
        if all(_held_down(job, (one,)) for one in found[-2:]) and len(found) > 1:
            break
        yield Rest(STANDBY_PAUSE_S)
    return tuple(found)


def _held_down(job: ValueJob, readings: tuple[BenchReading, ...]) -> str | None:
    """What a supply in limit or tripped says; None where all is well."""
    last = readings[-1]
    if tripped := next((r.supply_tripped for r in readings if r.supply_tripped), None):
        return f"the supply tripped ({tripped.replace('_', ' ')})"
    if last.supply_limited or last.supply_v < LOW_VOLTS * job.point.supply_v:
        return f"the supply is in current limit at {last.supply_a:.3g} A, {last.supply_v:.3g} V"
    return None


def _judge_standby(book: Book, readings: tuple[BenchReading, ...]) -> None:
    unit = book.job.around.unit
    amps = [r.supply_a for r in readings]
    mean_a, most_a = sum(amps) / len(amps), unit.standby_a_max
    expanded_a, factor = expanded([scatter(amps, "repeatability")])
    last_a = unit.fingerprint.standby_a
    was = "" if last_a is None else f"; last measured {last_a:.3g} A"
    reason = f"at most {most_a:g} A{near(mean_a, most_a, expanded_a)}{was}; {METER_NOTE}"
    outside = mean_a > most_a
    judgement = "outside" if outside else "within"
    standby = Value("standby current", mean_a, "A", None, expanded_a, factor, judgement, reason, high=most_a)
    book.values.append(standby)
    if outside and mean_a - most_a > (expanded_a or 0.0):
        sentence = f"standby current {mean_a:.3g} A, above {most_a:g} A"
        remedy = "Look for a converter that runs although its remote line is open, or a leaky input capacitor"
        book.findings.append(Finding("standby current", sentence, remedy))


def _drawn(book: Book, readings: tuple[BenchReading, ...]) -> Generator[Request, Reply, Drawn | None]:
    bench = book.job.around.bench
    name = bench.input_for("rail")
    if name is None:
        return None
    shot = shot_of((yield Quiet(SILENCE_READ_S, {name: rail_scale_v(book.job.point.supply_v)})))
    book.shots += 1
    record = shot.records[name]
    return None if record.overloaded else Drawn(readings, rail_of(bench, name, record))


def _in_parts(book: Book) -> Generator[Request, Reply, None]:
    """A directly fed stage: 25, 50, 75, 100 % of the volts, the current read at each."""
    job = book.job
    window = job.expected.idle_window_a
    limit_a = min(max(STANDBY_LIMIT_A, IDLE_LIMIT_FACTOR * window[1] if window else 0.0), _idle_limit_a(job))
    yield Remote(True)
    for part in RAIL_PARTS:
        volts = part * job.point.supply_v
        yield SetSupply(volts, limit_a)
        yield Rest(INRUSH_S)
        readings = []
        for _ in range(RAIL_READINGS):
            reply = yield ReadBench()
            assert isinstance(reply, BenchReading)
            readings.append(reply)
        last = readings[-1]
        amps = [r.supply_a for r in readings]
        expanded_a, factor = expanded([scatter(amps, "repeatability")])
        name = f"current at {volts:g} V"
        book.values.append(Value(name, sum(amps) / len(amps), "A", None, expanded_a, factor, reason=METER_NOTE))
        if last.supply_tripped or last.supply_limited:
            why = "tripped" if last.supply_tripped else f"is in its limit of {limit_a:g} A"
            book.refuse(f"the supply {why} at {volts:g} V, {100.0 * part:.0f} % of the rail")
            return


def _alive(book: Book, little: Drawn | None) -> Generator[Request, Reply, None]:
    """Remote line on, or the supply where there is none to switch; held in limit for too long, it is off again."""
    job = book.job
    linear = job.around.unit.front_end == "linear"
    full = SetSupply(job.point.supply_v, _idle_limit_a(job))
    by_remote = linear or _no_remote(job) is None
    if not linear:
        yield full if by_remote else Remote(True)
    waking = yield from wake(job, Remote(True) if by_remote else full)
    book.shots += waking.shots
    if waking.held_down is not None:
        book.refuse(waking.held_down)
        return
    meter_v = sum(r.supply_v for r in waking.readings) / len(waking.readings)
    book.findings += sense_findings(meter_v, job.point.supply_v)
    _idle(book, waking)
    _mute(book, waking, linear)
    yield from _lead(book, little)


def _idle(book: Book, waking: Waking) -> None:
    """The readings from 3 s on: steady by then, and not far above the window."""
    amps = [r.supply_a for r in waking.readings]
    mean_a = sum(amps) / len(amps)
    expanded_a, factor = expanded([scatter(amps, "repeatability")])
    reason = f"recorded: idle_current judges it; {METER_NOTE}"
    book.values.append(Value("idle within 3 s", mean_a, "A", None, expanded_a, factor, reason=reason))
    spread_a = max(amps) - min(amps)
    if spread_a > max(STEADY_PART * mean_a, STEADY_LEAST_A):
        sentence = f"idle current not steady 3 s after it came on: {min(amps):.3g} to {max(amps):.3g} A"
        book.findings.append(Finding("idle not steady", sentence, "Look for a converter that starts over and over"))
    window = book.job.expected.idle_window_a
    if window is not None and mean_a > HIGH_FACTOR * window[1]:
        sentence = f"idle current {mean_a:.3g} A, above {HIGH_FACTOR:g} x the window's {window[1]:g} A"
        book.findings.append(Finding("no drive", f"{sentence}: the unit is not driven", LOOK))
        book.no_drive = f"not driven: {sentence}"


def _mute(book: Book, waking: Waking, linear: bool) -> None:
    within_s = book.job.around.unit.mute_s
    if linear:
        book.values.append(not_measured("mute time", "s", IN_PARTS))
    elif waking.mute is None:
        book.values.append(not_measured("mute time", "s", f"no output within {waking.waited_s:.0f} s"))
    else:
        _judge_mute(book, waking.mute.at_s, waking.mute.within_s, within_s)
    for name in waking.silent:
        sentence = f"no output within {waking.waited_s:.0f} s of coming on, at a harmless level"
        remedy = "Look at its mute, its output relay, its input and the probe"
        book.findings.append(Finding("no output", sentence, remedy, name))
    for name, thump in waking.thumps.items():
        book.values.append(Value("thump", thump.peak_v, "V peak", name, thump.within_v, None, reason=thump.note))


def _judge_mute(book: Book, at_s: float, half_s: float, within_s: float) -> None:
    expanded_s, factor = expanded([Part("gap", half_s / 3.0**0.5, "rectangular")])
    judgement = "within" if at_s <= within_s else "outside"
    reason = f"at most {within_s:g} s by its file{near(at_s, within_s, expanded_s)}"
    mute = Value("mute time", at_s, "s", None, expanded_s, factor, judgement, reason, high=within_s)
    book.values.append(mute)
    if at_s - half_s > within_s:
        sentence = f"muted for {at_s:.1f} s after it came on, its file says {within_s:g} s"
        book.findings.append(Finding("mute time", sentence, "Correct mute_s, or look at the mute circuit"))


def _lead(book: Book, little: Drawn | None) -> Generator[Request, Reply, None]:
    """The supply lead by two currents, where both states were seen."""
    if little is None:
        return
    readings = yield from _windows(book.job)
    much = yield from _drawn(book, readings)
    if much is None:
        return
    try:
        ohm, parts = lead_by_difference(little, much)
    except ValueError as error:
        book.values.append(not_measured("lead of the supply", "ohm", str(error)))
        return
    expanded_ohm, factor = expanded(parts)
    reason = "by the volts at both its ends, standby against idle"
    book.values.append(Value("lead of the supply", ohm, "ohm", None, expanded_ohm, factor, reason=reason))
    sure_ohm, most_a = ohm - (expanded_ohm or 0.0), _most_a(book.job)
    if any(lead_findings(book.job.around.bench, sure_ohm, sure_ohm * most_a, book.job.point.supply_v)):
        book.findings += lead_findings(book.job.around.bench, ohm, ohm * most_a, book.job.point.supply_v)
