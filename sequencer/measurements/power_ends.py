"""What the end of a search tells of the unit: limiter, protection, gate, supply, early cycles, never clean. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.analysis.cut_in import CutIn, cut_in
from sequencer.measurements.judge import OUTPUT_GONE_DB, Judged
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.rated import AT_LIMIT, RATED_HZ, standing
from sequencer.measurements.values import Context, Finding
from sequencer.plan.models import Rating

Row = Mapping[str, Any]

EARLY_DB = 0.5
APART_DB = 1.0  # between channels, beyond what their uncertainties explain
LATE_S = 0.002
MISSING_PART = 0.5  # of the last cycle's rms
GATE_LEVEL_DB = 6.0  # above the twin: by then a protection may be what takes cycles away
OHM_ALIKE, VOLTS_ALIKE = 0.05, 0.02

LIMITER = (
    "Switch the limiter off if it can be, or write down that it was on; else look for a stage that overloads early"
)
PROTECTION = "Check what the protection senses (current, offset, heat) and its threshold, then measure again"
GATE = "Switch the mute gate off, or keep the input above its threshold; short bursts say nothing of this unit"
SUPPLY = "Raise the supply's current limit if the unit may have it; else look why the unit draws so much"
GAIN_REASON = "gain of channel "  # as the search says it
NEVER = "Look at THD against level: crossover falls with level, a fault in a stage does not"
LOW = "Look at the rails under load, at the gain before the output stage, and at the load's ohms"


def rated(context: Context, row: Row) -> Rating | None:
    """What the unit's file promises at this row's load, supply, channels and cycles; the strictest limit that
    applies."""
    load = context.bench.load.get(row["load"])
    if load is None or not RATED_HZ[0] <= row["frequency_hz"] <= RATED_HZ[1]:
        return None
    fitting = [
        one
        for one in context.unit.rating
        if abs(one.load_ohm / load.nominal_ohm - 1.0) < OHM_ALIKE
        and abs(one.supply_v / row["supply_nominal_v"] - 1.0) < VOLTS_ALIKE
        and one.thd_pct <= row["stop_limit"] * 1.001
        and one.channels_driven >= len(row["channels_driven"])
        and (one.cycles == 0 or row["cycles"] <= one.cycles)
    ]
    return max(fitting, key=lambda one: one.thd_pct, default=None)


def of_ends(context: Context, rows: Sequence[Row], outcome: Outcome) -> Iterator[tuple[str, Finding]]:
    """(point, finding) of one group."""
    if outcome.twin is None:
        return
    gates = list(_gate(outcome))
    yield from ((str(rows[0]["id"]), one) for one in gates)
    for row in rows:
        for one in _of_row(context, row, outcome, bool(gates)):
            yield str(row["id"]), one


def _of_row(context: Context, row: Row, outcome: Outcome, gated: bool) -> Iterator[Finding]:
    stopped = row.get("stopped_by")
    if stopped == "protection" and not gated:
        yield from _protection(context, row, outcome)
    elif stopped == "limited":
        yield _limiter(row, outcome)
    elif stopped == "supply_current_limit":
        yield _supply(row, outcome)
    elif stopped == "early_cycles":
        yield _early(row)
    elif stopped == "never_below":
        yield _never(row)
    if row["outcome"] == "measured":
        yield from low_power(context, row)
        yield from _apart(context, row, outcome)


# --- gate


def gated(outcome: Outcome) -> bool:
    """Whether a gate or mute took what else may look like a protection."""
    return outcome.twin is not None and any(True for _ in _gate(outcome))


def _gate(outcome: Outcome) -> Iterator[Finding]:
    """Cycles that are missing at the begin of harmless bursts too: no protection does that."""
    assert outcome.twin is not None
    job, twin = outcome.job, outcome.twin
    most_vrms = twin.shot.level_vrms * 10.0 ** (GATE_LEVEL_DB / 20.0)
    hit = hit_of(outcome, above_vrms=most_vrms)
    quiet = [twin, *(j for j in outcome.judged if j.shot.level_vrms <= most_vrms and not _after(j, hit))]
    lost = {c.name: max(_lost_s(outcome, j, c) for j in quiet) for c in job.channels}
    gated = {name: seconds for name, seconds in lost.items() if seconds > 0.0}
    for name, seconds in gated.items() if len(gated) < len(lost) else [(None, max(gated.values()))] if gated else []:
        missing = f"the first {1000 * seconds:.3g} ms are missing"
        if seconds >= 0.999 * job.burst_s:
            missing = f"nothing comes of a burst of {1000 * job.burst_s:.3g} ms"
        yield Finding("gate", f"{missing}, at a harmless level too: a gate or mute opens late", GATE, name)


def _after(judged: Judged, hit: Judged | None) -> bool:
    return hit is not None and judged.shot.number >= hit.shot.number


def _lost_s(outcome: Outcome, judged: Judged, channel: ChannelJob) -> float:
    late_s = judged.channels[channel.name].start_s
    return max(missing_s(outcome, judged, channel), late_s if late_s > LATE_S else 0.0)


def missing_s(outcome: Outcome, judged: Judged, channel: ChannelJob) -> float:
    """How much of a burst's begin is not there, s, in whole cycles; 0 where all of it is."""
    gains = outcome.proof.gain_db if outcome.proof else {}
    expected = judged.shot.level_vrms * 10.0 ** (gains.get(channel.name, channel.gain_db) / 20.0)
    count = 0
    for cycle in judged.channels[channel.name].cycles:
        if cycle.rms_ac_v >= MISSING_PART * expected:
            break
        count += 1
    return count / outcome.job.point.frequency_hz


# --- protection


def hit_of(outcome: Outcome, above_vrms: float = 0.0) -> Judged | None:
    """The first shot, of a level above that one, within which an output went away."""
    pairs = zip(outcome.judged, outcome.readings, strict=False)
    return next((j for j, told in pairs if told.output_gone and j.shot.level_vrms > above_vrms), None)


def cuts_of(outcome: Outcome, judged: Judged) -> dict[str, CutIn]:
    """Where each channel that went away did so."""
    job, cuts = outcome.job, {}
    gains = outcome.proof.gain_db if outcome.proof else {}
    for channel in job.channels:
        expected = judged.shot.level_vrms * 10.0 ** (gains.get(channel.name, channel.gain_db) / 20.0)
        record = judged.shot.records[channel.input]
        try:
            found = cut_in(record, 0.0, job.point.frequency_hz, job.point.cycles, expected)
        except ValueError:
            continue
        if found:
            cuts[channel.name] = found
    return cuts


def _protection(context: Context, row: Row, outcome: Outcome) -> Iterator[Finding]:
    hit = hit_of(outcome)
    load = context.bench.load.get(row["load"])
    if hit is None or load is None or load.nominal_ohm < context.unit.minimum_load_ohm:
        return  # below the least ohms a protection that cuts in does what it is there for
    cuts = cuts_of(outcome, hit)
    if not cuts:
        yield Finding("protection", f"the output went away at {row['load']}", PROTECTION)
        return
    name, first = min(cuts.items(), key=lambda one: one[1].at_s)
    ohm = next(c.load_ohm for c in outcome.job.channels if c.name == name)
    kind, words = _against_rating(rated(context, row), ohm, first.crest_v)
    sentence = (
        f"protection cut in at {first.crest_v:.1f} V peak ({first.crest_v / ohm:.2f} A) into {row['load']}, in cycle "
        f"{first.cycle} of {outcome.job.point.cycles}, {1000 * first.at_s:.3g} ms after the burst began; "
        f"it held at {_held_v(outcome, hit, name):.1f} V{words}"
    )
    yield Finding(kind, sentence, PROTECTION, name if len(cuts) == 1 else None)


def _held_v(outcome: Outcome, hit: Judged, name: str) -> float:
    """Highest crest before the hit at which the output stayed."""
    assert outcome.twin is not None
    before = [j for j in (outcome.twin, *outcome.judged) if j.shot.level_vrms < hit.shot.level_vrms]
    return max((j.channels[name].last.crest_pos_v for j in before if not _after(j, hit)), default=0.0)


def _against_rating(rating: Rating | None, ohm: float, crest_v: float) -> tuple[str, str]:
    """Kind, and what is rated there."""
    if rating is None:
        return "protection", ""
    rated_v = math.sqrt(2.0 * rating.power_w * ohm)
    early = crest_v < rated_v * 10.0 ** (-EARLY_DB / 20.0)
    words = f"; {rating.power_w:g} W, which are rated there, take {rated_v:.1f} V"
    return ("protection early" if early else "protection"), words


# --- the others


def _limiter(row: Row, outcome: Outcome) -> Finding:
    lost, at = max((_gain_lost_db(outcome, j), j.shot.number) for j in outcome.judged)
    judged = next(j for j in outcome.judged if j.shot.number == at)
    seen = judged.channels[judged.worst]
    sentence = (
        f"gain falls by {lost:.1f} dB at {seen.last.rms_ac_v:.1f} Vrms with {100 * seen.last.thd:.2g} % THD only: "
        f"a limiter is on{_hundred(row)}"
    )
    return Finding("limiter", sentence, LIMITER)


def _gain_lost_db(outcome: Outcome, judged: Judged) -> float:
    assert outcome.twin is not None
    low, now = outcome.twin.channels[judged.worst].last.fit, judged.channels[judged.worst].last.fit
    ratio = low.fundamental_rms_v / outcome.twin.shot.level_vrms * judged.shot.level_vrms
    if now.fundamental_rms_v <= ratio * 10.0 ** (-OUTPUT_GONE_DB / 20.0):
        return 0.0
    return 20.0 * math.log10(ratio / now.fundamental_rms_v)


def _hundred(row: Row) -> str:
    if not row["channels"]:
        return ""
    return "; " + ", ".join(f"{c['power_w']:.3g} W in channel {c['channel']}" for c in row["channels"]) + " at the end"


def _supply(row: Row, outcome: Outcome) -> Finding:
    last = outcome.judged[-1].shot
    limited = next((j.shot for j in outcome.judged if j.shot.supply_limited or j.shot.supply_tripped), last)
    how = "tripped" if limited.supply_tripped else "went into current limit"
    sentence = f"the supply {how} at {limited.level_vrms:.3g} Vrms of level, {limited.supply_a:.3g} A by its meter"
    return Finding("supply current limit", sentence, SUPPLY)


def _early(row: Row) -> Finding:
    cycles = [c for channel in row["channels"] for c in channel["cycle_rows"][:-1]]
    worst = max(cycles, key=lambda c: c["thd_pct"], default=None)
    seen = f": {worst['thd_pct']:.2g} % in cycle {worst['number']}" if worst else ""
    sentence = f"earlier cycles clip before the last one does{seen}"
    return Finding(
        "early cycles clipped", sentence, "Look for a rail that recovers within a burst, or a bias that moves"
    )


def _never(row: Row) -> Finding:
    least = row.get("lowest_thd_pct")
    at = f": at least {least:.2g} %, at {row['lowest_thd_power_w']:.2g} W" if least is not None else ""
    return Finding("distorted at every level", f"never within {row['stop_limit']:g} %{at}", NEVER)


def low_power(context: Context, row: Row) -> Iterator[Finding]:
    """Every channel driven, each by its own watts."""
    rating = rated(context, row)
    if rating is None:
        return
    for channel in row["channels"]:
        stands = standing(row, channel, rating.power_w)
        if stands.low:
            why = "" if row["stopped_by"] in AT_LIMIT else f"; ended by {row['stopped_by'].replace('_', ' ')}"
            less = "less than " if stands.how == "less than" else ""
            sentence = (
                f"{less}{stands.power_w:.3g} W into {row['load']} at {row['stop_limit']:g} %, {stands.below_db:.1f} dB "
                f"below the {rating.power_w:g} W rated{why}"
            )
            yield Finding("power low", sentence, LOW, channel["channel"])


def _apart(context: Context, row: Row, outcome: Outcome) -> Iterator[Finding]:
    """Each channel against the strongest; the levels are common, so that mostly it is their gains that differ. Told
    once: not where an earlier row showed it.
    """
    if outcome.proof is None:
        return
    told = {name for earlier in context.earlier for name, _, _ in _behind(earlier)}
    for name, best, db in _behind(row):
        if name not in told:
            gain_db = outcome.proof.gain_db[best] - outcome.proof.gain_db[name]
            sentence = f"{db:.1f} dB less power than channel {best}; its gain is {gain_db:.1f} dB lower"
            action = "Match the gain controls, or look for a fault in the weaker channel"
            yield Finding("channel power mismatch", sentence, action, name)


def _behind(row: Row) -> list[tuple[str, str, float]]:
    """(channel, the strongest channel, dB behind it), of those further behind than 1 dB and their uncertainty."""
    channels = row.get("channels") or ()
    if row.get("measurement") != "output_power" or row["outcome"] != "measured" or len(channels) < 2:
        return []
    best = max(channels, key=lambda c: c["power_w"])
    found = []
    for one in channels:
        db = 10.0 * math.log10(best["power_w"] / max(one["power_w"], 1e-9))
        unsure = math.hypot(*(c["power_expanded_uncertainty_w"] / max(c["power_w"], 1e-9) for c in (best, one)))
        if db - 10.0 / math.log(10.0) * unsure > APART_DB:
            found.append((one["channel"], best["channel"], db))
    return found


def gain_away(rows: Sequence[Row]) -> Iterator[tuple[str, Finding]]:
    """Searches that were not begun, since a channel's gain is far from what the file says: told once a channel."""
    told: set[str] = set()
    for row in rows:
        reason = str(row.get("reason") or "")
        if row.get("measurement") != "output_power" or not reason.startswith(GAIN_REASON):
            continue
        name = reason.removeprefix(GAIN_REASON)[:1]
        if name not in told:
            told.add(name)
            action = "Check input, controls, probe and output of that channel"
            yield str(row["id"]), Finding("gain away", reason, action, name)
