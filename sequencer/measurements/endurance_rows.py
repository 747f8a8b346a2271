"""What an endurance says: values and findings against the plan's bounds, and a row of each cycle. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.endurance_look import COLD, Less, Look
from sequencer.measurements.endurance_model import Endurance, Watched
from sequencer.measurements.switching import switched_by
from sequencer.measurements.values import Finding, Value, beyond, near
from sequencer.plan.estimate_heat import EIGHTH, HEATING_HZ, soak_part

CONTACT = "Look at its output relay, speaker terminals, input socket and controls: move each while a small tone plays"
JUMPS = "Find what heat moves: input pair, a cracked joint; freeze spray finds it"
FILM = "Look for a contact with a film on it (relay, control, socket), then at the idle current and the crossover"
COOL = "Let it cool, look at fan, air path and mounting before it is driven for long"
GONE = "Look at its protection and its output relay before it is driven again"
NEXT = {"temperature": COOL, "offset": JUMPS, "output_gone": GONE}
LOOK_AGAIN = "Look at supply, probe and gain, then begin again"
PARTS = ("small", "loud")


def values(run: Endurance) -> Iterator[Value]:
    """Per channel; then how long, and how many cycles."""
    for channel in run.job.channels:
        yield from _of_channel(run, channel.name)
    minutes, cycles = sum(run.worked_s.values()) / 60.0, len({one.cycle for one in run.looks})
    words = f"of {run.job.point.minutes:g} min asked for; {_times(cycles)} off and on by {switched_by(run.job)}"
    yield Value("work done", minutes, "min", reason=words)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _of_channel(run: Endurance, name: str) -> Iterator[Value]:
    for part, tone in (("small", run.small), ("loud", run.loud)):
        seen = [w for one in run.watched if (one.part, one.channel) == (part, name) and (w := one.power_w) is not None]
        title = f"power held, {_at(run, part)}"
        if not seen:
            yield not_measured(title, "W", run.sentence or run.trip or "not reached", name)
            continue
        told = f"mean of {len(seen)} bursts of {tone.burst_s:.3g} s; {tone.basis}"
        yield Value(title, sum(seen) / len(seen), "W", name, None, None, None, told, HEATING_HZ)
    yield _dropouts(run, name)
    yield _jump(run, name)
    yield _small_gain(run, name)


def _at(run: Endurance, part: str) -> str:
    share = soak_part(run.job.point)
    return "small" if part == "small" else "at 1/8" if share == EIGHTH else f"at {share:.3g}"


def _dropouts(run: Endurance, name: str) -> Value:
    bound_db, title = run.job.point.dropout_db, "bursts with a drop-out"
    of = [one for one in run.watched if one.channel == name and one.power_w is not None]
    if not of:
        return not_measured(title, "bursts", run.sentence or run.trip or "not reached", name)
    having = [one for one in of if one.dropouts]
    looked = f"looked through: {sum(one.seen_s for one in of):.0f} s of {_driven_s(run):.0f} s of tone"
    bound = f"none beyond {bound_db:g} dB (common practice, no source)"
    worst = f"; the furthest {_furthest(having)}" if having else ""
    judgement = "outside" if having else "within"
    reason = f"{bound}{worst}; {looked}, in blocks of 10 ms"
    return Value(title, float(len(having)), "bursts", name, None, None, judgement, reason, HEATING_HZ)


def _driven_s(run: Endurance) -> float:
    tones = {"small": run.small.burst_s, "loud": run.loud.burst_s}
    first = run.job.channels[0].name
    return sum(tones[one.part] for one in run.watched if one.channel == first)


def _furthest(having: Sequence[Watched]) -> str:
    one, out = max(((w, d) for w in having for d in w.dropouts), key=lambda two: abs(two[1].db))
    return f"{out.db:+.1f} dB for {out.lasted_s:.2g} s, in cycle {one.cycle}, {one.at_s / 60.0:.0f} min after its begin"


def _jump(run: Endurance, name: str) -> Value:
    bound_v, title = run.job.point.offset_jump_v, "largest change of offset"
    found = jump(run, name)
    if found is None:
        return not_measured(title, "V", "fewer than two looks", name)
    volts, expanded_v, words = found
    judgement = "within" if volts <= bound_v else "outside" if beyond(volts, bound_v, expanded_v) else None
    reason = f"at most {1000.0 * bound_v:g} mV (common practice, no source){near(volts, bound_v, expanded_v)}; {words}"
    return Value(title, volts, "V", name, expanded_v, 2.0 if expanded_v else None, judgement, reason)


def jump(run: Endurance, name: str) -> tuple[float, float | None, str] | None:
    """Largest change from one look to the next, V, its expanded uncertainty, and where. None below two looks."""
    pairs = list(zip(run.looks, run.looks[1:], strict=False))
    if not pairs:
        return None
    before, after = max(pairs, key=lambda two: abs(two[1].offsets[name].volts - two[0].offsets[name].volts))
    one, other = before.offsets[name], after.offsets[name]
    words = f"{_mv(one.volts)} {_place(before, name)}, {_mv(other.volts)} {_place(after, name)}"
    return abs(other.volts - one.volts), other.change_expanded_v, words


def _place(look: Look, name: str) -> str:
    celsius = look.celsius.get(name)
    return f"{look.when} in cycle {look.cycle}" + ("" if celsius is None else f" ({celsius:.0f} degC)")


def _small_gain(run: Endurance, name: str) -> Value:
    bound_db, title = run.job.point.small_gain_db, "gain at 10 mV re that at the small power"
    found = worst_less(run, name)
    if found is None:
        return not_measured(title, "dB", _why_no_less(run, name), name)
    look, less = found
    assert less.db is not None
    size = abs(less.db)
    judgement = "within" if size <= bound_db else "outside" if beyond(size, bound_db, less.expanded_db) else None
    reason = f"at most {bound_db:g} dB either way (common practice, no source){near(size, bound_db, less.expanded_db)}"
    expanded_db = less.expanded_db
    told = f"{reason}; the most of {len(run.looks)} looks, {_place(look, name)}"
    return Value(title, less.db, "dB", name, expanded_db, 2.0 if expanded_db else None, judgement, told, HEATING_HZ)


def worst_less(run: Endurance, name: str) -> tuple[Look, Less] | None:
    """Where the gain at 10 mV is furthest from that at the small power; None where it was never seen."""
    seen = [(look, look.less[name]) for look in run.looks if look.less[name].db is not None]
    return max(seen, key=lambda two: abs(two[1].db or 0.0), default=None)


def _why_no_less(run: Endurance, name: str) -> str:
    return next((why for look in run.looks if (why := look.less[name].reason)), run.sentence or "not reached")


def findings(run: Endurance) -> Iterator[Finding]:
    """Of each channel; then why it ended early."""
    for channel in run.job.channels:
        name = channel.name
        having = [one for one in run.watched if one.channel == name and one.dropouts]
        if having:
            count = len([one for one in run.watched if one.channel == name])
            sentence = f"a drop-out in {len(having)} of {count} bursts; the furthest {_furthest(having)}"
            yield Finding("drop-out", sentence, CONTACT, name)
        found = jump(run, name)
        if found is not None and beyond(found[0], run.job.point.offset_jump_v, found[1]):
            bound_mv = 1000.0 * run.job.point.offset_jump_v
            sentence = f"offset moves by {_mv(found[0])}, above {bound_mv:g} mV: {found[2]}"
            yield Finding("offset jump", sentence, JUMPS, name)
        less = worst_less(run, name)
        if less is not None and beyond(abs(less[1].db or 0.0), run.job.point.small_gain_db, less[1].expanded_db):
            sentence = f"gain at 10 mV {less[1].db:+.2f} dB re that at the small power, {_place(less[0], name)}"
            yield Finding("gain at 10 mV", sentence, FILM, name)
    if run.stopped_by is not None:
        minutes = sum(run.worked_s.values()) / 60.0
        sentence = f"endurance ended after {minutes:.0f} of {run.job.point.minutes:g} min of work: {run.sentence}"
        yield Finding("endurance ended early", sentence, NEXT.get(run.stopped_by, LOOK_AGAIN), run.stopped_at)


def extra(run: Endurance) -> dict[str, Any]:
    """Further keys of the point's row; `endurance_cycles`: a row of each cycle and channel."""
    last = max((one.cycle for one in run.looks), default=0)
    names = [c.name for c in run.job.channels]
    return {
        "endurance_cycles": [_row(run, cycle, name) for cycle in range(1, last + 1) for name in names],
        "frequency_hz": HEATING_HZ,
        "level_vrms": run.loud.level_vrms,
        "small_level_vrms": run.small.level_vrms,
        "power_part": soak_part(run.job.point),
        "power_basis": run.loud.basis,
        "switched_by": switched_by(run.job),
        "worked_s": {part: run.worked_s.get(part, 0.0) for part in PARTS},
        "stopped_by": run.stopped_by,
    }


def _row(run: Endurance, cycle: int, name: str) -> dict[str, Any]:
    row: dict[str, Any] = {"cycle": cycle, "channel": name, "rested_s": run.waited_s[cycle - 1]}
    for look in run.looks:
        if look.cycle == cycle:
            key = "cold" if look.when == COLD else "after"
            row[f"{key}_heatsink_c"] = look.celsius.get(name)
            row[f"{key}_offset_v"] = look.offsets[name].volts
            row[f"{key}_gain_db"] = look.gain_db[name]
            row[f"{key}_small_less_db"] = look.less[name].db
    of = [one for one in run.watched if (one.cycle, one.channel) == (cycle, name)]
    outs = [out for one in of for out in one.dropouts]
    for part in PARTS:
        held = [w for one in of if one.part == part and (w := one.power_w) is not None]
        row[f"{part}_power_w"] = sum(held) / len(held) if held else None
    row["bursts"], row["bursts_with_dropout"] = len(of), len([one for one in of if one.dropouts])
    row["furthest_db"] = max((out.db for out in outs), key=abs, default=None)
    row["longest_s"] = max((out.lasted_s for out in outs), default=None)
    return row


def _mv(volts: float) -> str:
    return f"{1000.0 * volts:.3g} mV"
