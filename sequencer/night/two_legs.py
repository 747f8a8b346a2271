"""A bridged output by two inputs of the digitiser: both legs in one record, one taken from the other.

Neither leg is at ground: each stands at half the unit's supply, so that its range must hold that beside half the
signal. What is handed on is the difference, under the number of the plus leg; all else of the night knows one output.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.errors import SettingRefused
from sequencer.night.hands import CaptureSet, Digitiser, RawTrace

ALIKE = 1e-6  # two ranges that are one


@dataclass(frozen=True)
class Difference:
    """As a trace of one input."""

    codes: NDArray[Any]
    volts_per_code: float
    volts_at_zero: float
    sample_interval_s: float
    start_s: float
    converter_step_codes: int
    overloaded: bool


@dataclass(frozen=True)
class TwoLegs:
    """minus_of: plus leg's input -> minus leg's. middle_v: the most that a leg stands above ground without signal."""

    digitiser: Digitiser
    minus_of: Mapping[int, int]
    middle_v: float

    async def prepare(self) -> None:
        await self.digitiser.prepare()

    async def set_capture(self, capture: Any) -> CaptureSet:
        return await self.digitiser.set_capture(self._with_both(capture))

    async def arm(self) -> None:
        await self.digitiser.arm()

    async def wait_complete(self, within_s: float, since_s: float = 0.0) -> None:
        await self.digitiser.wait_complete(within_s, since_s)

    async def take_by_itself(self, capture: Any, within_s: float) -> None:
        await self.digitiser.take_by_itself(self._with_both(capture), within_s)

    async def fetch(self, input_number: int) -> RawTrace:
        """Raises SettingRefused where the legs were read on two ranges."""
        plus = await self.digitiser.fetch(input_number)
        if input_number not in self.minus_of:
            return plus
        return difference(plus, await self.digitiser.fetch(self.minus_of[input_number]))

    def _with_both(self, capture: Any) -> Any:
        volts = dict(capture.full_scale_v)
        for plus, minus in self.minus_of.items():
            if plus in volts:
                volts[plus] = volts[minus] = volts[plus] / 2.0 + self.middle_v
        return replace(capture, full_scale_v=volts)


def difference(plus: RawTrace, minus: RawTrace) -> Difference:
    """Plus less minus, in codes: both were read in one record on one range. Raises SettingRefused where not."""
    alike = abs(plus.volts_per_code / minus.volts_per_code - 1.0) < ALIKE
    if not alike or len(plus.codes) != len(minus.codes):
        raise SettingRefused("digitiser", "the two legs of an output were not read alike")
    return Difference(
        np.asarray(plus.codes, dtype=np.int32) - np.asarray(minus.codes, dtype=np.int32),
        plus.volts_per_code,
        plus.volts_at_zero - minus.volts_at_zero,
        plus.sample_interval_s,
        plus.start_s,
        plus.converter_step_codes,
        plus.overloaded or minus.overloaded,
    )
