"""The generator straight on a digitiser's input: counted bursts fired, captured and handed on as records."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drivers.errors import SettingRefused
from drivers.roles.capture import Capture
from sequencer.analysis.records import Record
from sequencer.night.hands import CaptureSet, RawTrace
from sequencer.proving.desk import Desk
from sequencer.proving.words import Failed, NotSeen

RATE_AT_MOST_HZ = 5e5
BEFORE_S, AFTER_S = 0.002, 0.006
COMPLETE_WITHIN_S = 2.0
TONE_HZ, CYCLES = 1000.0, 20


@dataclass(frozen=True)
class Tone:
    """One burst, and how long the record goes on after it."""

    level_vrms: float
    frequency_hz: float = TONE_HZ
    cycles: int = CYCLES
    after_s: float = AFTER_S


@dataclass(frozen=True)
class Loop:
    """desk's generator on the input `name`. ratio: of what is seen to what is set, as first found."""

    desk: Desk
    name: str
    ratio: float = 1.0

    @property
    def number(self) -> int:
        return int(self.name.removeprefix("ch"))

    @property
    def factor(self) -> float:
        one = self.desk.bench.input.get(self.name)
        return 1.0 if one is None else one.factor

    @property
    def ranges_v(self) -> tuple[float, ...]:
        """Reaches at the probe's tip, rising."""
        fitting = {r.full_scale_v for r in self.desk.bench.range if r.input in ("all", self.name)}
        return tuple(sorted(self.factor * v for v in fitting))

    @property
    def top_vrms(self) -> float:
        return min(self.desk.bench.ceiling.generator_vrms, 4.0)

    async def shot(self, tone: Tone, full_scale_v: float) -> Record:
        """One burst on this input, its range at least full_scale_v at the tip."""
        records = await self.shots(tone, {self.name: min(full_scale_v, self.ranges_v[-1])})
        return records[self.name]

    async def fitting(self, tone: Tone) -> Record:
        """One burst on a range that it fits by what was found first; else on the widest one."""
        record = await self.shot(tone, 1.3 * math.sqrt(2.0) * tone.level_vrms * self.ratio)
        return await self.shot(tone, self.ranges_v[-1]) if record.overloaded else record

    async def _fire(self) -> None:
        """Raises Failed where the generator says that it did not."""
        errors = self.desk.dialects["generator"].errors
        try:
            await self.desk.hands.generator.fire()
        except SettingRefused as refused:
            if errors is None or not any(str(number) in refused.sentence for number in errors.not_fired):
                raise
            sentence = f"{refused.sentence}: the burst before still goes on, or bursts are not armed"
            look = "Look at burst mode, cycles and trigger source: counted bursts, one for each trigger"
            raise Failed(sentence, look) from refused

    async def shots(self, tone: Tone, full_scale_v: Mapping[str, float]) -> dict[str, Record]:
        """One burst on several inputs at once."""
        desk, bench = self.desk, self.desk.bench
        burst_s = tone.cycles / tone.frequency_hz
        record_s = BEFORE_S + burst_s + tone.after_s
        rates = sorted(r for r in bench.digitiser.rates_hz if r * record_s <= bench.digitiser.samples_max)
        if not rates:
            raise NotSeen(f"no sample rate of the bench file has a record of {record_s:g} s")
        rate_hz = max([r for r in rates if r <= RATE_AT_MOST_HZ] or rates[:1])
        volts = {int(name.removeprefix("ch")): v for name, v in full_scale_v.items()}
        samples = math.ceil(record_s * rate_hz / 100.0) * 100
        asked = Capture(volts, rate_hz, samples, BEFORE_S)
        taken = await desk.digitiser.set_capture(asked)
        await desk.hands.generator.set_burst(tone.level_vrms, tone.frequency_hz, tone.cycles)
        await desk.digitiser.arm()
        await self._fire()
        await desk.digitiser.wait_complete(record_s + COMPLETE_WITHIN_S)
        found = {}
        for name in full_scale_v:
            number = int(name.removeprefix("ch"))
            found[name] = record_of(await desk.digitiser.fetch(number), taken, number, bench.digitiser.bits)
        return found


def record_of(raw: RawTrace, taken: CaptureSet, number: int, bits: int) -> Record:
    """A trace as analysis has it, V at the probe's tip."""
    codes = np.asarray(raw.codes, dtype=np.int32)
    return Record(
        volts=raw.volts_at_zero + codes.astype(np.float64) * raw.volts_per_code,
        sample_interval_s=raw.sample_interval_s,
        start_s=raw.start_s,
        step_v=raw.converter_step_codes * raw.volts_per_code,
        full_scale_v=taken.full_scale_v[number],
        overloaded=raw.overloaded,
        bits=bits,
        codes=codes,
        volts_per_code=raw.volts_per_code,
        volts_at_zero=raw.volts_at_zero,
    )
