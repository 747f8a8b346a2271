"""What the shape of a searched burst tells: crossover, one side that clips first, an oscillation, soft clipping. Pure.

Only bursts of eight cycles and more are looked at: in shorter ones a coupling or a falling rail shapes both sides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.analysis.crest import crest_residue
from sequencer.analysis.harmonics import HarmonicFit
from sequencer.measurements.judge import ChannelShot, Judged
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.values import Context, Finding

CYCLES_LEAST = 8
CROSSOVER_LEAST, FALLS_TO, LOWER_DB = 0.002, 0.7, 6.0  # THD at the lowest level; a part of it is left 6 dB higher
ODD_SHARE = 0.8  # of the distortion's power
SQUARE_REST = math.sqrt(1.0 - 8.0 / math.pi**2)  # rms of a square wave without its fundamental, of its height
SIDE_APART, EVEN_SHARE, CLIPPED_FROM, CLIPPED_TO = 0.02, 0.35, 0.005, 0.2
ON_CREST_FACTOR, ON_CREST_SHOTS, UNDER_KNEE_DB = 3.0, 2, 12.0
SOFT_UNDER_DB, SOFT_PART, SOFT_LEAST = 3.0, 0.1, 0.001  # a hard clip is 0.3 dB deep at 1 %
BIAS = "Set the idle current as the service data say, then measure again"


@dataclass(frozen=True)
class _Seen:
    """One channel through all shots of a group, lowest level first: (judged, its channel)."""

    name: str
    shots: tuple[tuple[Judged, ChannelShot], ...]

    def within(self, low: float, high: float) -> list[tuple[Judged, ChannelShot]]:
        return [one for one in self.shots if low <= one[1].last.thd <= high]


def of_shapes(context: Context, outcome: Outcome) -> Iterator[Finding]:
    """Findings of one group, by channel."""
    if outcome.job.point.cycles < CYCLES_LEAST:
        return
    for seen in _channels(outcome):
        crossover = _crossover(context, seen)
        yield from crossover
        yield from _one_side(seen)
        yield from _oscillation(outcome, seen)
        if not crossover:
            yield from _soft(outcome, seen)


def _channels(outcome: Outcome) -> Iterator[_Seen]:
    shots = [*([outcome.twin] if outcome.twin else []), *_there(outcome)]
    shots.sort(key=lambda judged: judged.shot.level_vrms)
    for channel in outcome.job.channels:
        yield _Seen(channel.name, tuple((judged, judged.channels[channel.name]) for judged in shots))


def _there(outcome: Outcome) -> list[Judged]:
    """Shots of which the outputs were there, and nothing from outside spoilt."""
    pairs = zip(outcome.judged, outcome.readings, strict=False)
    return [judged for judged, told in pairs if not told.output_gone and told.stop is None]


def _output_db(seen: ChannelShot) -> float:
    return 20.0 * math.log10(max(seen.last.fit.fundamental_rms_v, 1e-9))


def _odd_share(fit: HarmonicFit) -> float:
    powers = [abs(p) ** 2 for p in fit.phasors[1:]]
    return float(sum(powers[1::2])) / max(float(sum(powers)), 1e-30)


def _crossover(context: Context, seen: _Seen) -> list[Finding]:
    """Distortion that falls as the level rises, of odd harmonics: a dead zone takes the same volts at every level."""
    if len(seen.shots) < 2:
        return []
    low = seen.shots[0][1].last
    higher = [s for _, s in seen.shots if _output_db(s) >= _output_db(seen.shots[0][1]) + LOWER_DB]
    least = min((s.last.thd for s in higher), default=math.inf)
    if low.thd < max(CROSSOVER_LEAST, 3.0 * low.thd_u) or least > FALLS_TO * low.thd:
        return []
    if _odd_share(low.fit) < ODD_SHARE:
        return []
    dead_v = low.thd * low.fit.fundamental_rms_v / SQUARE_REST
    sentence = (
        f"crossover distortion: THD is {100 * low.thd:.2g} % at {low.rms_ac_v:.2g} Vrms and falls to "
        f"{100 * least:.2g} % at higher levels; about {1000 * dead_v:.0f} mV are missing at each crossing"
    )
    return [Finding("crossover", f"{sentence}{_idle_words(context)}", BIAS, seen.name)]


def _idle_words(context: Context) -> str:
    values = (v for row in context.earlier for v in row.get("values") or ())
    idle = [v["value"] for v in values if str(v["name"]).startswith("idle current") and v["unit"] == "A"]
    window = context.unit.idle_current.window_a
    if not idle or idle[-1] is None:
        return ""
    asked = f", where the unit's file asks {window[0]:g} to {window[1]:g} A" if window else ""
    return f"; idle current was {idle[-1]:.3g} A{asked}"


def _one_side(seen: _Seen) -> Iterator[Finding]:
    """The shot clipped deepest: both crests about the offset without signal, and the even harmonics that go with it."""
    clipped = seen.within(CLIPPED_FROM, CLIPPED_TO)
    if not clipped:
        return
    last = max(clipped, key=lambda one: one[1].last.thd)[1].last
    apart_db = (
        20.0 * math.log10(last.crest_pos_v / -last.crest_neg_v) if last.crest_neg_v < 0 < last.crest_pos_v else 0.0
    )
    if abs(10.0 ** (apart_db / 20.0) - 1.0) <= SIDE_APART or 1.0 - _odd_share(last.fit) < EVEN_SHARE:
        return
    side, size, other = ("negative", last.crest_neg_v, last.crest_pos_v)
    if apart_db < 0:
        side, size, other = ("positive", last.crest_pos_v, last.crest_neg_v)
    sentence = (
        f"the {side} side clips first: {size:+.1f} V there, {other:+.1f} V on the other side, "
        f"at least {abs(apart_db):.2f} dB apart"
    )
    action = "Look at the rail and the output devices of that side, and at the offset inside the stage"
    yield Finding("one side clips first", sentence, action, seen.name)


def _oscillation(outcome: Outcome, seen: _Seen) -> Iterator[Finding]:
    """Quick residue on the crests, and not at the crossings, in two shots at least of the last 12 dB."""
    record_of = next(c.input for c in outcome.job.channels if c.name == seen.name)
    top_db = _output_db(seen.shots[-1][1]) if seen.shots else 0.0
    found: list[tuple[float, float]] = []
    for judged, shot in seen.shots:
        if _output_db(shot) < top_db - UNDER_KNEE_DB:
            continue
        record = judged.shot.records[record_of]
        residue = crest_residue(record, shot.start_s, outcome.job.point.cycles, shot.last.fit)
        if residue and residue.crest_v > ON_CREST_FACTOR * max(residue.crossing_v, record.step_v / math.sqrt(12.0)):
            found.append((shot.last.crest_pos_v, residue.crest_v))
    if len(found) < ON_CREST_SHOTS:
        return
    from_v, most_v = min(found)[0], max(size for _, size in found)
    sentence = (
        f"an oscillation on the crests: {1000 * most_v:.0f} mV rms, from {from_v:.1f} V peak on, none at the crossings"
    )
    action = "Look at the output network, the supply's decoupling and the layout of the stage with an oscilloscope"
    yield Finding("oscillation on the crest", sentence, action, seen.name)


def _soft(outcome: Outcome, seen: _Seen) -> Iterator[Finding]:
    """A good part of the limit 3 dB and more below the level that was accepted, and rising with level."""
    limit = min(point.limit_pct for point in outcome.job.points) / 100.0
    inside = [one for one in seen.shots if one[1].last.thd <= limit]
    if len(inside) < 2:
        return
    top = max(inside, key=lambda one: _output_db(one[1]))[1]
    under = [s for _, s in inside if _output_db(s) <= _output_db(top) - SOFT_UNDER_DB]
    if not under:
        return
    near = max(under, key=_output_db)
    low = min(under, key=_output_db)
    rising = near.last.thd > 2.0 * low.last.thd or near is low
    if near.last.thd < max(SOFT_PART * limit, SOFT_LEAST, 3.0 * near.last.thd_u) or top.last.thd < 1.5 * near.last.thd:
        return
    if rising:
        below_db = _output_db(top) - _output_db(near)
        sentence = (
            f"clips softly: THD is {100 * near.last.thd:.2g} % already {below_db:.1f} dB below the accepted level"
        )
        action = "Compare with a sound unit of this model; look for a starved driver stage or devices of low gain"
        yield Finding("soft clipping", sentence, action, seen.name)


def seen_before(context: Context, outcome: Outcome) -> bool:
    """Whether an earlier row of this unit, same load and channels, showed the same shapes already."""
    point = outcome.job.point
    alike = (
        row
        for row in context.earlier
        if row.get("measurement") == "output_power"
        and (row.get("load"), row.get("supply_nominal_v")) == (point.load, point.supply_v)
        and list(row.get("channels_driven") or ()) == list(point.channels)
    )
    return any((row.get("cycles") or 0) >= CYCLES_LEAST and row.get("outcome") == "measured" for row in alike)
