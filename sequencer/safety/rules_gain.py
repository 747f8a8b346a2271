"""A gain that is no longer what was proved at harmless levels, far below where the unit clips. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.records import Volts
from sequencer.measurements.requests import Shot
from sequencer.plan.models import Unit
from sequencer.safety.rules_model import HARMLESS_VRMS, TWICE, Breach, Scope, within

AWAY_DB = 1.5  # our own judgement
KNEE_PART = 0.35  # of the crest at which its file lets it clip: it may clip earlier, and a limiter below that
CYCLES_LEAST = 10  # whose second half is read: a gate has opened, couplings have settled


@dataclass
class GainRules:
    """gains: (channel, Hz) -> dB as proved; away: shots in a row that far from it."""

    gains: dict[tuple[str, float], float] = field(default_factory=dict)
    away: dict[str, int] = field(default_factory=dict)

    def begin(self) -> None:
        self.away.clear()

    def expected_v(self, name: str, shot: Shot) -> float:
        """Vrms due by gain and level; 0 where nothing was proved."""
        proved_db = self.gains.get((name, shot.request.frequency_hz), -math.inf)
        return _tone_level_vrms(shot) * math.pow(10.0, proved_db / 20.0)

    def learn(self, scope: Scope, shot: Shot) -> None:
        """A dead zone hides gain at the least levels: the highest counts."""
        for name, volts in _tones_vrms(scope, shot).items():
            key = (name, shot.request.frequency_hz)
            self.gains[key] = max(self.gains.get(key, -math.inf), _db(volts / _tone_level_vrms(shot)))

    def hear(self, scope: Scope, shot: Shot, clip_v: float | None) -> Iterator[Breach]:
        """In current limit everything gives way: that has a stop of its own."""
        if clip_v is None or shot.supply_limited:
            return
        for name, volts in _tones_vrms(scope, shot).items():
            proved_db = self.gains.get((name, shot.request.frequency_hz))
            if proved_db is None or not _is_far_below(self.expected_v(name, shot), clip_v):
                continue
            seen_db = _db(volts / _tone_level_vrms(shot))
            highest_db = max(proved_db, declared_db(scope.unit, name)) + AWAY_DB
            outside = seen_db < proved_db - AWAY_DB or seen_db > highest_db
            self.away[name] = self.away.get(name, 0) + 1 if outside else 0
            if self.away[name] >= TWICE:
                limit_db = highest_db if seen_db > proved_db else proved_db - AWAY_DB
                words = f"gain of channel {name} is {seen_db:.1f} dB where {proved_db:.1f} dB was proved"
                yield Breach("gain away", words, "gain, dB", seen_db, limit_db, name)


def _tone_level_vrms(shot: Shot) -> float:
    """Of the burst's own frequency: a second tone has its part of the level."""
    return shot.level_vrms * shot.request.first_part


def _is_far_below(expected_v: float, clip_v: float) -> bool:
    """Driven, and far from where it may clip."""
    return HARMLESS_VRMS <= expected_v <= KNEE_PART * clip_v / math.sqrt(2.0)


def _tones_vrms(scope: Scope, shot: Shot) -> dict[str, float]:
    """Of the burst's own frequency in its second half, V; none of short bursts, silent or overloaded records."""
    cycles, hz = shot.request.cycles, shot.request.frequency_hz
    if cycles < CYCLES_LEAST:
        return {}
    found = {}
    for name, wire in scope.inputs(shot).items():
        record = shot.records[wire]
        half = within(record, (cycles - cycles // 2) / hz, cycles / hz)
        if half.size and not record.overloaded:
            found[name] = _tone_vrms(half, hz * record.sample_interval_s)
    return {name: volts for name, volts in found.items() if volts > 0.0}


def _tone_vrms(volts: Volts, cycles_per_sample: float) -> float:
    """One line of the spectrum: a thump or a noise is no gain."""
    turns = np.exp(-2j * math.pi * cycles_per_sample * np.arange(volts.size))
    return float(abs(np.dot(volts - volts.mean(), turns))) * math.sqrt(2.0) / volts.size


def declared_db(unit: Unit, name: str) -> float:
    own = next(channel.gain_db for channel in unit.channel if channel.name == name)
    return unit.gain_db if own is None else own


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)
