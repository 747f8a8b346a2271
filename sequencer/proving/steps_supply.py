"""Steps of the supply: with nothing on its lead, or with the resistor that the bench file declares."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.errors import SettingRefused
from sequencer.proving.desk import Desk
from sequencer.proving.record import ProofValue
from sequencer.proving.supply_seen import OFF_V, Point, limited_fault, off_fault, regulated_fault
from sequencer.proving.words import Failed, NotSeen

VOLTS = (1.0, 5.0, 12.0)
FIRST_LIMIT_A, SPARE = 0.2, 1.5
SETTLES_S = 0.3
FALLS_WITHIN_S, POLL_S = 10.0, 0.25
LIMIT_PART = 0.5
TRIP_V, ABOVE_V, BELOW_V = 4.0, 8.0, 2.0
LOOK = "Hold its display and a meter on its terminals against what was set; correct its dialect file, leads or sense"
LOOK_BITS = "Correct the bits of [[status]] in its dialect file by the manual of this very model"
LOOK_OFF = "Switch it off by hand now. Look what its output command really does, and correct its dialect file"


@dataclass
class Lead:
    """desk's supply and what hangs on its lead. on: whether it was switched on by us. sound: volts and amps as set."""

    desk: Desk
    on: bool = False
    sound: bool = False

    @property
    def dummy_ohm(self) -> float:
        return self.desk.bench.prove.dummy_ohm or math.inf

    @property
    def volts(self) -> tuple[float, ...]:
        """Those that ceiling and resistor bear."""
        ceiling, most_w = self.desk.bench.ceiling, self.desk.bench.prove.dummy_w
        most_v = min(ceiling.supply_v, math.sqrt(most_w * self.dummy_ohm), ceiling.supply_a * self.dummy_ohm / SPARE)
        found = tuple(v for v in VOLTS if v <= most_v)
        if not found:
            raise NotSeen(f"resistor and ceilings bear no {VOLTS[0]:g} V")
        return found

    def limit_for(self, volts: float) -> float:
        """Above what the resistor draws; the least that a supply is sure to hold where nothing is there."""
        wanted_a = SPARE * volts / self.dummy_ohm + FIRST_LIMIT_A
        return min(wanted_a, self.desk.bench.ceiling.supply_a)

    async def point(self, volts: float, limit_a: float) -> Point:
        """Set, on, settled and read."""
        supply = self.desk.hands.supply
        await supply.set(volts, limit_a)
        if not self.on:
            await supply.output(True)
            self.on = True
        await self.desk.clock.sleep(SETTLES_S)
        await supply.status()  # the latched signs of before
        await self.desk.clock.sleep(SETTLES_S)
        read, status = await supply.read(), await supply.status()
        return Point(volts, limit_a, read.volts, read.amps, status.in_current_limit, status.tripped, self.dummy_ohm)

    async def off(self) -> None:
        self.on = False
        await self.desk.hands.supply.output(False)


async def regulated(lead: Lead) -> tuple[str, list[ProofValue]]:
    """Volts as set, and the amps of what hangs there, from the lowest volts up: the first fault ends it."""
    values = []
    for volts in lead.volts:
        one = await lead.point(volts, lead.limit_for(volts))
        values.append(ProofValue(name=f"volts at {volts:g} V", value=one.read_v, unit="V", expected=volts))
        values.append(ProofValue(name=f"amps at {volts:g} V", value=one.read_a, unit="A", expected=one.wanted_a))
        if (fault := regulated_fault(one)) is not None:
            raise Failed(fault, _look(fault), values)
    there = "nothing" if math.isinf(lead.dummy_ohm) else f"{lead.dummy_ohm:g} ohm"
    told = ", ".join(f"{v:g}" for v in lead.volts)
    return f"{told} V as set, amps as of {there} on its lead, no sign of a limit", values


async def limit(lead: Lead) -> tuple[str, list[ProofValue]]:
    """Into the resistor: the limit holds, and its sign tells so."""
    if math.isinf(lead.dummy_ohm):
        raise NotSeen("no resistor is declared for its lead: [prove] dummy_ohm of the bench file")
    volts = lead.volts[-1]
    one = await lead.point(volts, LIMIT_PART * volts / lead.dummy_ohm)
    values = [ProofValue(name="amps at the limit", value=one.read_a, unit="A", expected=one.limit_a)]
    if (fault := limited_fault(one)) is not None:
        raise Failed(fault, _look(fault), values)
    return f"a limit of {one.limit_a:.3g} A holds at {one.read_a:.3g} A and {one.read_v:.3g} V, and says so", values


def _look(fault: str) -> str:
    if "unit" in fault and "connected" in fault:
        return (
            "Take off whatever hangs on the supply's lead, or declare it: [prove] dummy_ohm; then prove the bench again"
        )
    return LOOK_BITS if "bits" in fault else LOOK


async def over_voltage(lead: Lead) -> tuple[str, list[ProofValue]]:
    """Volts above the trip are refused, or trip it: with the output on, both far below any ceiling."""
    supply, most_v = lead.desk.hands.supply, lead.volts[-1]
    above_v = min(ABOVE_V, most_v)
    trip_v, below_v = TRIP_V / ABOVE_V * above_v, BELOW_V / ABOVE_V * above_v
    await lead.off()
    await supply.trip_above(trip_v)
    acted = ""
    try:
        await lead.point(below_v, lead.limit_for(below_v))
        try:
            one = await lead.point(above_v, lead.limit_for(above_v))
        except SettingRefused as refused:
            acted = f"{above_v:g} V above its trip of {trip_v:g} V are refused: {refused.sentence}"
        else:
            if one.tripped == "over_voltage" or (one.tripped is None and one.read_v < trip_v):
                acted = f"{above_v:g} V trip it at {trip_v:g} V, as {one.tripped or 'its reading tells'}"
            else:
                sentence = f"{one.read_v:.3g} V stand at its terminals, its over-voltage trip is set to {trip_v:g} V"
                raise Failed(
                    f"{sentence}: the over-voltage trip is not taken ({one.tripped or 'no trip'} is told)",
                    "Look how this supply's over-voltage protection is set and switched on; correct its dialect file",
                )
    finally:
        await lead.off()
        await supply.clear_trip()
        await supply.prepare()
    return acted, []


async def off(lead: Lead, rail_v: float | None) -> tuple[str, list[ProofValue]]:
    """Off means off: its own meter falls. rail_v: of the place by the digitiser, just after."""
    desk, set_v = lead.desk, lead.volts[-1]
    end_ns = desk.clock.now_ns() + round(FALLS_WITHIN_S * 1e9)
    read_v = (await desk.hands.supply.read()).volts
    while abs(read_v) > OFF_V and desk.clock.now_ns() < end_ns:
        await desk.clock.sleep(POLL_S)
        read_v = (await desk.hands.supply.read()).volts
    values = [ProofValue(name="after off", value=read_v, unit="V", expected=0.0, allowed=OFF_V)]
    if (fault := off_fault(read_v, set_v, rail_v)) is not None:
        raise Failed(fault, LOOK_OFF, values)
    return f"{read_v:.2g} V are left after its output was switched off", values
