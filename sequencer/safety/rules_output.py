"""The unit's outputs: DC or AC without signal, and one that has gone while it is driven. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.analysis.records import Record, Volts
from sequencer.measurements.requests import Shot
from sequencer.plan.models import Unit
from sequencer.plan.window import SILENCE_READ_S, TRIGGER_CYCLES, TRIGGER_HZ, TRIGGER_PAST_S
from sequencer.safety.rules_gain import GainRules
from sequencer.safety.rules_model import HARMLESS_VRMS, TWICE, Breach, Scope, burst_s, is_quiet, within

OFFSET_TRIP_V = 3.0  # common practice, no source
SILENCE_TRIP_VRMS = 1.0  # oscillation or hum that heats (our own judgement)
FLOOR_STEPS = 3.0  # of the digitiser: less is its own noise
SILENT_OVER_S = 0.15  # of silence: a burst of 50 Hz behind a coupling capacitor leaves volts for 20 ms
GONE_PART = 0.1  # of what gain and level say
HARMLESS = frozenset({"gain proof", "gain", "check", "twin"})
# These look for an output that goes away.
LOOK_FOR_IT = frozenset({"protection", "recovery", "first_power", "bench_check", "terminal_scan", "endurance"})
COMES_ALIVE = "first_power"  # a thump is one of its values
CONVERTER_PART = 0.85  # of the supply's power that reaches the stages (common practice, no source)
CLIP_SPREAD = 1.3  # how much lower than declared a unit may clip, for a lower bound of its heat (our own judgement)


@dataclass
class OutputRules:
    """gone: driven shots in a row without output; lives as long as the unit is powered."""

    gone: dict[str, int] = field(default_factory=dict)
    gain: GainRules = field(default_factory=GainRules)

    def begin(self) -> None:
        self.gone.clear()
        self.gain.begin()

    def hear(self, scope: Scope, shot: Shot) -> Breach | None:
        found = _silences(scope, shot) if is_quiet(shot) else self._outputs(scope, shot)
        return next(found, None)

    def _outputs(self, scope: Scope, shot: Shot) -> Iterator[Breach]:
        if scope.measurement in LOOK_FOR_IT:
            return
        if shot.request.purpose in HARMLESS:
            self.gain.learn(scope, shot)
            return
        yield from self._gone(scope, shot)
        yield from self.gain.hear(scope, shot, clips_at_v(scope.unit))

    def _gone(self, scope: Scope, shot: Shot) -> Iterator[Breach]:
        for name, rms_v in output_vrms(scope, shot).items():
            expected_v = self.gain.expected_v(name, shot)
            if expected_v < HARMLESS_VRMS:
                continue
            limit_v = GONE_PART * expected_v
            self.gone[name] = self.gone.get(name, 0) + 1 if rms_v < limit_v else 0
            if self.gone[name] >= TWICE:
                words = (
                    f"output {name} is gone while driven: {rms_v:.3g} Vrms where {expected_v:.3g} V are due, "
                    f"{self.gone[name]} times in a row"
                )
                yield Breach("output gone", words, "output, Vrms", rms_v, limit_v, name)


def output_vrms(scope: Scope, shot: Shot) -> Mapping[str, float]:
    """Of the AC part within the tone, V at the unit; channels whose record is overloaded are left out."""
    found = {}
    for name, wire in scope.inputs(shot).items():
        record = shot.records[wire]
        tone = within(record, 0.0, burst_s(shot.request))
        if tone.size and not record.overloaded:
            found[name] = float(tone.std())
    return found


def _silences(scope: Scope, shot: Shot) -> Iterator[Breach]:
    """What stands at the outputs after the trigger's burst. An overloaded record says that it is more than its
    range."""
    for name, wire in scope.inputs(shot).items():
        record = shot.records[wire]
        silent = _silence(record)
        silent_s = silent.size * record.sample_interval_s
        if silent_s < SILENT_OVER_S:
            continue
        yield from _offset(name, silent_s, float(silent.mean()))
        if scope.measurement != COMES_ALIVE:
            yield from _restless(name, float(silent.std()), record.step_v)


def _offset(name: str, silent_s: float, mean_v: float) -> Iterator[Breach]:
    if abs(mean_v) > OFFSET_TRIP_V:
        words = (
            f"offset of output {name} {mean_v:.3g} V over {silent_s:.2g} s without signal (trip limit "
            f"{OFFSET_TRIP_V:g} V)"
        )
        yield Breach("offset", words, "offset, V", mean_v, OFFSET_TRIP_V, name)


def _restless(name: str, rms_v: float, step_v: float) -> Iterator[Breach]:
    limit_v = max(SILENCE_TRIP_VRMS, FLOOR_STEPS * step_v)
    if rms_v > limit_v:
        words = f"output {name} shows {rms_v:.3g} Vrms without signal (trip limit {limit_v:.3g} V)"
        yield Breach("output without signal", words, "output, Vrms", rms_v, limit_v, name)


def _silence(record: Record) -> Volts:
    start_s = TRIGGER_CYCLES / TRIGGER_HZ + TRIGGER_PAST_S
    return within(record, start_s, start_s + SILENCE_READ_S)


def burst_heat_j(scope: Scope, shot: Shot) -> dict[str, float]:
    """A lower bound of a steady tone's heat in each channel's devices, J; nothing for bursts whose amps no meter saw.

    Class B: the stage keeps 1 - pi x / 4 of what it draws, x = crest over clip volts (textbook).
    """
    if shot.request.last_s is None:
        return {}
    seen = output_vrms(scope, shot)
    squares = {name: volts**2 for name, volts in seen.items()}
    total = sum(squares.values())
    drawn_j = CONVERTER_PART * shot.supply_v * shot.supply_a * burst_s(shot.request)
    clip_v = clips_at_v(scope.unit)
    if total <= 0.0 or clip_v is None:
        return {}
    return {
        name: drawn_j
        * square
        / total
        * (1.0 - math.pi / 4.0 * min(CLIP_SPREAD * math.sqrt(2.0 * square) / clip_v, 1.0))
        for name, square in squares.items()
    }


def clips_at_v(unit: Unit) -> float | None:
    """The highest crest its file lets expect, V."""
    declared = [channel.output_rail_v for channel in unit.channel] + [unit.output_rail_v]
    volts = [one for one in declared if one is not None]
    volts += [math.sqrt(2.0 * rating.power_w * rating.load_ohm) for rating in unit.rating]
    return max(volts, default=None)
