"""One shot: set the burst, arm the digitiser, fire, fetch, and read what the supply says.

The digitiser is confirmed armed before the generator is triggered, and an empty capture is never taken for
silence.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from drivers.errors import InstrumentError, SettingRefused
from drivers.timing import Clock
from sequencer.analysis.records import Record
from sequencer.measurements.requests import Answer, Fire, Metered, Shot
from sequencer.measurements.transferred import Corrections, factor_for
from sequencer.night.hands import CaptureSet, Hands, RawTrace
from sequencer.night.supply_seen import SupplySeen, seen_in
from sequencer.plan.estimate import ShotWindow

COMPLETE_WITHIN_S = 2.0  # beyond the record itself
BY_ITSELF_WITHIN_S = 0.5  # how long a digitiser waits for a trigger before it does without (our own choice)
RATE_WITHIN = 1e-3  # replies carry three digits and more
OWN_READING_S = 0.3  # before the shot reads the supply itself, nobody else begins to
METER_BEFORE_END_S = 0.12  # a steady tone's: a meter's window of 50 ms, and its request, lie within the last 0.2 s


async def _at_once() -> None:
    return


@dataclass
class Shooter:
    """Fires shots on one bench. capture_of: builds the digitiser's own capture request.

    tone_ns: begin and end of the last burst, bench clock. reserved_from_ns: from then on the supply's meter is this
    shot's own. corrections: of the gain of ranges that were compared with the meter. supply_seen: of a supply that a
    person works, captured with every steady tone. may_fire: returns once whoever watches has seen the bench.
    burst_begun: told of a burst long enough to be watched.
    """

    hands: Hands
    clock: Clock
    bits: int
    capture_of: Callable[[Mapping[int, float], ShotWindow], Any]
    number: int = 0
    corrections: Corrections = field(default_factory=dict)
    supply_seen: SupplySeen = field(default_factory=SupplySeen)
    tone_ns: tuple[int, int] = (0, -(10**12))
    reserved_from_ns: int | None = None
    may_fire: Callable[[], Awaitable[None]] = field(default=_at_once)
    burst_begun: Callable[[], None] = field(default=lambda: None)
    _capture_key: tuple[Any, ...] | None = None
    _capture: CaptureSet | None = None
    _limited: bool = field(default=False)
    _may_be_unprepared: bool = field(default=False)  # the digitiser, since a look of its own was cut short

    async def fire(self, request: Fire, window: ShotWindow) -> Shot:
        """One counted burst with its capture. Raises drivers.errors on any failure of a link or a setting."""
        try:
            return await self._fire(request, window)
        finally:
            self.reserved_from_ns = None

    def saw_limit(self) -> None:
        """Somebody else read the supply's signs meanwhile, and so cleared them: the current limit acted."""
        self._limited = True

    async def _fire(self, request: Fire, window: ShotWindow) -> Shot:
        hands = self.hands
        self.reserved_from_ns = self.clock.now_ns()
        await self.may_fire()
        await self._set_capture(request, window)
        pair = request.second
        second = None if pair is None else (pair.frequency_hz, pair.ratio)
        burst = await hands.generator.set_burst(request.level_vrms, request.frequency_hz, request.cycles, second)
        ranged = await self._meter_ranged(request)
        await hands.digitiser.arm()
        burst_s = request.cycles / request.frequency_hz
        wait_s = max(burst_s - METER_BEFORE_END_S, 0.0) if request.last_s is not None else 0.0
        fired_at_ns = self.clock.now_ns()
        self._limited = False
        self.reserved_from_ns = fired_at_ns + round((wait_s - OWN_READING_S) * 1e9)
        self.tone_ns = fired_at_ns, fired_at_ns + round(burst_s * 1e9)
        await hands.generator.fire()
        if wait_s > OWN_READING_S:
            self.burst_begun()
        metered = await self._metered() if ranged else None
        if request.last_s is not None:
            await self.clock.sleep(max(wait_s - 1e-9 * (self.clock.now_ns() - fired_at_ns), 0.0))
        reading = None if "supply" in hands.by_hand else await hands.supply.read()
        record_s = burst_s + window.before_s + window.after_s
        since_s = (self.clock.now_ns() - fired_at_ns) * 1e-9 if request.last_s is not None else 0.0
        await hands.digitiser.wait_complete(record_s + COMPLETE_WITHIN_S, since_s)
        records = {
            name: self._record(name, await hands.digitiser.fetch(_number(name))) for name in self._scales(request)
        }
        status = await hands.supply.status()
        metered = await self._confirmed(metered)
        volts, amps = seen_in(records, self.supply_seen) if reading is None else (reading.volts, reading.amps)
        self.number += 1
        return Shot(
            number=self.number,
            request=request,
            level_vrms=burst.level_vrms,
            records=records,
            fired_at_ns=fired_at_ns,
            supply_limited=status.in_current_limit or status.limited_since_last or self._limited,
            supply_tripped=status.tripped,
            supply_v=volts,
            supply_a=amps,
            metered=metered,
        )

    async def look(self, full_scale_v: Mapping[str, float], window: ShotWindow) -> dict[str, Record]:
        """A record of these inputs that no burst has triggered. Raises drivers.errors; the digitiser is then prepared
        anew before the next shot."""
        digitiser = self.hands.digitiser
        self.forget_settings()
        self._may_be_unprepared = True
        volts = {_number(name): value for name, value in full_scale_v.items()}
        await digitiser.take_by_itself(self.capture_of(volts, window), BY_ITSELF_WITHIN_S + window.record_s)
        records = {name: self._record(name, await digitiser.fetch(_number(name))) for name in full_scale_v}
        self._may_be_unprepared = False
        return records

    async def _meter_ranged(self, request: Fire) -> bool:
        """Its range is set before the tone. A meter is no part of safety: one that does not do it gives no number,
        and the night goes on."""
        meter = self.hands.meter
        if request.meter_vrms is None or meter is None:
            return False
        try:
            await meter.set_range(request.meter_vrms)
        except InstrumentError:
            return False
        return True

    async def _metered(self) -> Metered | None:
        """One reading, begun with the tone; None where it gives no number or ends after the tone."""
        assert self.hands.meter is not None
        try:
            read = await self.hands.meter.read()
        except InstrumentError:
            return None
        return Metered(read.vrms, read.range_vrms) if self.clock.now_ns() < self.tone_ns[1] else None

    async def _confirmed(self, metered: Metered | None) -> Metered | None:
        """The reading, if its meter did not restart meanwhile: it might have read the mean. Asked after the tone, since
        a meter that restarted may not answer."""
        if metered is None or self.hands.meter is None:
            return None
        try:
            await self.hands.meter.confirm()
        except InstrumentError:
            return None
        return metered

    async def ohms(self) -> Answer:
        """What the meter reads between its leads, now. One that gives no number ends no night."""
        if self.hands.meter is None:
            return Answer("no", by_a_person=False)
        try:
            return Answer(repr(await self.hands.meter.read_ohms()), by_a_person=False)
        except InstrumentError:
            return Answer("no", by_a_person=False)

    def forget_settings(self) -> None:
        """After an instrument was prepared again: the next shot sets its capture anew."""
        self._capture_key = None

    def _scales(self, request: Fire) -> Mapping[str, float]:
        """What is captured: with a steady tone, what shows the supply too."""
        return request.full_scale_v if request.last_s is None else {**self.supply_seen.scales, **request.full_scale_v}

    async def _set_capture(self, request: Fire, window: ShotWindow) -> None:
        scales = self._scales(request)
        key = (tuple(scales.items()), window)
        if key == self._capture_key:
            return
        self._capture_key = None
        if self._may_be_unprepared:
            await self.hands.digitiser.prepare()
            self._may_be_unprepared = False
        volts = {_number(name): value for name, value in scales.items()}
        self._capture = await self.hands.digitiser.set_capture(self.capture_of(volts, window))
        _require_rate(self._capture, window)
        self._capture_key = key

    def _record(self, name: str, raw: RawTrace) -> Record:
        codes = np.asarray(raw.codes, dtype=np.int32)
        step_v = raw.converter_step_codes * raw.volts_per_code
        full_scale_v = step_v * 2 ** (self.bits - 1)
        right = factor_for(self.corrections, name, full_scale_v)  # steps and range stay what the instrument calls them
        volts_per_code, volts_at_zero = right * raw.volts_per_code, right * raw.volts_at_zero
        return Record(
            volts=volts_at_zero + codes.astype(np.float64) * volts_per_code,
            sample_interval_s=raw.sample_interval_s,
            start_s=raw.start_s,
            step_v=step_v,
            full_scale_v=full_scale_v,
            overloaded=raw.overloaded,
            bits=self.bits,
            codes=codes,
            volts_per_code=volts_per_code,
            volts_at_zero=volts_at_zero,
        )


def _require_rate(capture: CaptureSet, window: ShotWindow) -> None:
    """A rate rounded to another one gives a record of another length than was worked out. Raises SettingRefused."""
    rate_hz = 1.0 / capture.sample_interval_s
    if not math.isclose(rate_hz, window.sample_rate_hz, rel_tol=RATE_WITHIN):
        asked = f"{window.sample_rate_hz:g} samples/s were asked and {rate_hz:g} are taken"
        raise SettingRefused("digitiser", f"{asked}: name in [digitiser] rates_hz of the bench file only what it has")


def _number(name: str) -> int:
    return int(name.removeprefix("ch"))
