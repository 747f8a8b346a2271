"""`turn_on`: how long a unit stays silent after it is switched on, and the thump with which it comes alive. Pure.

Off and on again, by its remote line where it has one: harmless tones follow one another from that moment, and the
record in which the tone appears shows the instant and the thump (see first_power_waking).
"""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.analysis.uncertainty import Part
from sequencer.measurements import switching
from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.first_power_waking import NOT_ALIVE, Instant, Waking, wake
from sequencer.measurements.requests import Rest
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, near

THRESHOLD = "the bench switches the remote line, it has no adjustable volts"
LATE = "Correct mute_s, or look at the mute circuit"
SILENT = "Look at its mute, its output relay, its input and the probe"
THUMP_MOST_V = 1.0  # into a loudspeaker it is heard, and frightens who sits below it (common practice, no source)
QUIETER = "Look at the mute's timing against the offset: which comes first when it is switched on?"
SEEN = "largest of {n}, mean over each cycle of the tone; uncertainty: the tone's crest and a converter's step"


def turn_on(job: ValueJob) -> ValueTalk:
    """Mute time and thump of `power_cycles` times off and on: the longest, the largest. Held against the file's mute_s.

    A unit that is held in current limit when it comes on is switched off again, and gets no power any more.
    """
    yield Rest(job.rest_s)
    wakings: list[Waking] = []
    for _ in range(job.point.power_cycles):
        yield from switching.off(job)
        waking = yield from wake(job, switching.on_request(job))
        wakings.append(waking)
        if waking.held_down is not None:
            yield from switching.off(job)
            return _held_down(waking.held_down, wakings)
        if waking.silent:
            break
    yield from switching.settle(job)
    return Values(
        values=(*_mute(job, wakings), *_thumps(job, wakings), not_measured("remote threshold", "V", THRESHOLD)),
        findings=tuple(_findings(job, wakings)),
        shots=sum(one.shots for one in wakings),
        extra={"times": len(wakings), "switched_by": switching.switched_by(job), "thumps": _shown(job, wakings)},
    )


def _held_down(why: str, wakings: list[Waking]) -> Values:
    finding = Finding("do not power", f"{why}: switched off", "Find the short before it is powered again")
    shots = sum(one.shots for one in wakings)
    return Values(findings=(finding,), shots=shots, reason=why, no_power=f"not powered: {why}")


def _longest(wakings: list[Waking]) -> Instant | None:
    """None where a channel once stayed silent."""
    instants = [one.mute for one in wakings]
    return None if None in instants else max((i for i in instants if i), key=lambda one: one.at_s)


def _mute(job: ValueJob, wakings: list[Waking]) -> Iterator[Value]:
    most_s, longest = job.around.unit.mute_s, _longest(wakings)
    if longest is None:
        yield not_measured("mute time", "s", f"no output within {wakings[-1].waited_s:.0f} s")
        return
    expanded_s, factor = expanded([Part("gap", longest.within_s / 3.0**0.5, "rectangular")])
    judgement = "within" if longest.at_s <= most_s else "outside"
    shortest_s = min(one.mute.at_s for one in wakings if one.mute)
    spread = f"; shortest {shortest_s:.3g} s" if len(wakings) > 1 else ""
    reason = (
        f"at most {most_s:g} s by its file{near(longest.at_s, most_s, expanded_s)}; longest of {len(wakings)}{spread}, "
        f"after {switching.switched_by(job)} was switched on"
    )
    yield Value("mute time", longest.at_s, "s", None, expanded_s, factor, judgement, reason)


def _thumps(job: ValueJob, wakings: list[Waking]) -> Iterator[Value]:
    for channel in job.channels:
        seen = [one.thumps[channel.name] for one in wakings]
        peaks = [t for t in seen if t.peak_v is not None]
        if not peaks:
            yield not_measured("thump", "V peak", NOT_ALIVE, channel.name)
            continue
        largest = max(peaks, key=lambda t: t.peak_v or 0.0)
        notes = "; ".join(dict.fromkeys([SEEN.format(n=len(peaks)), largest.note]))
        yield Value("thump", largest.peak_v, "V peak", channel.name, largest.within_v, None, reason=notes)


def _shown(job: ValueJob, wakings: list[Waking]) -> dict[str, dict[str, list[float]]]:
    """By channel, the largest thump as it went: s from where the output follows, V."""
    found = {}
    for channel in job.channels:
        seen = [t for one in wakings if (t := one.thumps[channel.name]).peak_v is not None and t.shown]
        if seen:
            largest = max(seen, key=lambda t: t.peak_v or 0.0).shown
            found[channel.name] = {"at_s": [s for s, _ in largest], "volts": [v for _, v in largest]}
    return found


def _findings(job: ValueJob, wakings: list[Waking]) -> Iterator[Finding]:
    most_s, longest = job.around.unit.mute_s, _longest(wakings)
    for name in wakings[-1].silent:
        sentence = f"no output within {wakings[-1].waited_s:.0f} s of coming on, at a harmless level"
        yield Finding("no output", sentence, SILENT, name)
    if longest is not None and beyond(longest.at_s, most_s, longest.within_s):
        sentence = f"muted for {longest.at_s:.1f} s after it came on, its file says {most_s:g} s"
        yield Finding("mute time", sentence, LATE)
    for channel in job.channels:
        peaks = [(t.peak_v, t.within_v) for one in wakings if (t := one.thumps[channel.name]).peak_v is not None]
        volts, within_v = max(peaks, default=(0.0, 0.0))
        if beyond(volts or 0.0, THUMP_MOST_V, within_v):
            sentence = f"thump of {volts:.2g} V when it comes on, above {THUMP_MOST_V:g} V"
            yield Finding("thump", sentence, QUIETER, channel.name)
