"""One shot: set the burst, arm the digitiser, fire, fetch, and read what the supply says.

The digitiser is confirmed armed before the generator is triggered, and an empty capture is never taken for
silence.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from drivers.timing import Clock
from sequencer.analysis.records import Record
from sequencer.measurements.requests import Fire, Shot
from sequencer.night.hands import CaptureSet, Hands, RawTrace
from sequencer.plan.estimate import ShotWindow

COMPLETE_WITHIN_S = 2.0  # beyond the record itself
OWN_READING_S = 0.3  # before the shot reads the supply itself, nobody else begins to
METER_BEFORE_END_S = 0.12  # a steady tone's: a meter's window of 50 ms, and its request, lie within the last 0.2 s


async def _at_once() -> None:
    return


@dataclass
class Shooter:
    """Fires shots on one bench. capture_of: builds the digitiser's own capture request.

    tone_ns: begin and end of the last burst, bench clock. reserved_from_ns: from then on the supply's meter is this
    shot's own. may_fire: returns once whoever watches has seen the bench. burst_begun: told of a burst long enough
    to be watched.
    """

    hands: Hands
    clock: Clock
    bits: int
    capture_of: Callable[[Mapping[int, float], ShotWindow], Any]
    number: int = 0
    tone_ns: tuple[int, int] = (0, -(10**12))
    reserved_from_ns: int | None = None
    may_fire: Callable[[], Awaitable[None]] = field(default=_at_once)
    burst_begun: Callable[[], None] = field(default=lambda: None)
    _capture_key: tuple[Any, ...] | None = None
    _capture: CaptureSet | None = None
    _limited: bool = field(default=False)

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
        if request.last_s is not None:
            await self.clock.sleep(wait_s)
        reading = await hands.supply.read()
        record_s = burst_s + window.before_s + window.after_s
        since_s = (self.clock.now_ns() - fired_at_ns) * 1e-9 if request.last_s is not None else 0.0
        await hands.digitiser.wait_complete(record_s + COMPLETE_WITHIN_S, since_s)
        records = {name: self._record(await hands.digitiser.fetch(_number(name))) for name in request.full_scale_v}
        status = await hands.supply.status()
        self.number += 1
        return Shot(
            number=self.number,
            request=request,
            level_vrms=burst.level_vrms,
            records=records,
            fired_at_ns=fired_at_ns,
            supply_limited=status.in_current_limit or status.limited_since_last or self._limited,
            supply_tripped=status.tripped,
            supply_v=reading.volts,
            supply_a=reading.amps,
        )

    def forget_settings(self) -> None:
        """After an instrument was prepared again: the next shot sets its capture anew."""
        self._capture_key = None

    async def _set_capture(self, request: Fire, window: ShotWindow) -> None:
        key = (tuple(request.full_scale_v.items()), window)
        if key == self._capture_key:
            return
        self._capture_key = None
        volts = {_number(name): value for name, value in request.full_scale_v.items()}
        self._capture = await self.hands.digitiser.set_capture(self.capture_of(volts, window))
        self._capture_key = key

    def _record(self, raw: RawTrace) -> Record:
        codes = np.asarray(raw.codes, dtype=np.int32)
        step_v = raw.converter_step_codes * raw.volts_per_code
        return Record(
            volts=raw.volts_at_zero + codes.astype(np.float64) * raw.volts_per_code,
            sample_interval_s=raw.sample_interval_s,
            start_s=raw.start_s,
            step_v=step_v,
            full_scale_v=step_v * 2 ** (self.bits - 1),
            overloaded=raw.overloaded,
            bits=self.bits,
            codes=codes,
            volts_per_code=raw.volts_per_code,
            volts_at_zero=raw.volts_at_zero,
        )


def _number(name: str) -> int:
    return int(name.removeprefix("ch"))
