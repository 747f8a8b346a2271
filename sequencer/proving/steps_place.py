"""Contacts of the places by what is seen through them: the supply's volts at the rail's input, no unit connected."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.plan.models import Bay
from sequencer.proving.loop import Loop, Tone
from sequencer.proving.record import ProofValue
from sequencer.proving.steps_supply import SETTLES_S, Lead
from sequencer.proving.supply_seen import AMPS_A, AMPS_PART
from sequencer.proving.words import Failed, NotSeen

RAIL_V = 5.0
THERE_PART = 0.1  # of the volts: seen from there on (our own choice)
LOOK = "Look at that contactor with a continuity meter, with the supply off; correct [[bay]] if its place is another"


@dataclass(frozen=True)
class Rail:
    """What sees the rail."""

    lead: Lead
    name: str

    async def volts(self) -> float:
        """Mean of a record that a burst of least level has triggered."""
        loop = Loop(self.lead.desk, self.name)
        tone = Tone(self.lead.desk.hands.generator.smallest_vrms, cycles=1)
        return float((await loop.shot(tone, 2.0 * RAIL_V)).volts.mean())


def rail_of(lead: Lead) -> Rail:
    """Raises NotSeen where no input is wired to the rail."""
    name = lead.desk.bench.input_for("rail")
    if name is None:
        raise NotSeen("no input of the digitiser is wired to the rail")
    return Rail(lead, name)


async def places(lead: Lead) -> tuple[str, list[ProofValue]]:
    """Each place by itself: its supply contact lets the volts through, and only while it is closed."""
    desk = lead.desk
    bays = [bay for bay in desk.bench.bay if bay.supply_contact]
    if not bays:
        raise NotSeen("no place has a contact in its supply lead")
    rail = rail_of(lead)
    if max(lead.volts) < RAIL_V:
        raise NotSeen(f"resistor and ceilings do not bear {RAIL_V:g} V")
    await desk.hands.load_switch.prepare()
    await desk.hands.load_switch.open_all()
    await lead.point(RAIL_V, lead.limit_for(RAIL_V))
    values: list[ProofValue] = []
    for bay in bays:
        values += await _place(rail, bay, bays)
    return f"volts come through the supply contact of {len(bays)} places, and only while it is closed", values


async def _place(rail: Rail, bay: Bay, bays: list[Bay]) -> list[ProofValue]:
    switch, clock, own = rail.lead.desk.hands.load_switch, rail.lead.desk.clock, bay.supply_contact or ""
    others = beside(bay)
    await switch.open_all()
    await switch.close(others)
    if _there(volts := await rail.volts()):
        sentence = f"{volts:.3g} V are seen at place {bay.name} although contact {own} is open"
        raise Failed(f"{sentence}: welded, or the rail is seen before that contact", LOOK)
    begun_ns = clock.now_ns()
    await switch.close([own])
    settled_s = (clock.now_ns() - begun_ns) * 1e-9
    await _nothing_drawn(rail.lead, bay)
    volts = await rail.volts()
    if not _there(volts):
        raise Failed(await _why_not(rail, bay, bays, volts), LOOK)
    seen_s = (clock.now_ns() - begun_ns) * 1e-9
    await switch.open([own])
    if _there(left := await rail.volts()):
        sentence = f"{left:.3g} V are still seen at place {bay.name} after contact {own} was opened: welded"
        raise Failed(sentence, LOOK)
    await switch.open_all()
    return [
        ProofValue(name=f"contact {own} told", value=settled_s, unit="s"),
        ProofValue(name=f"contact {own} seen", value=seen_s, unit="s"),
        ProofValue(name=f"rail at place {bay.name}", value=volts, unit="V", expected=RAIL_V),
    ]


async def _nothing_drawn(lead: Lead, bay: Bay) -> None:
    """No more than what is declared to hang on the lead."""
    await lead.desk.clock.sleep(SETTLES_S)
    read_a, wanted_a = (await lead.desk.hands.supply.read()).amps, RAIL_V / lead.dummy_ohm
    if read_a > wanted_a * (1.0 + AMPS_PART) + AMPS_A:
        told = f"{read_a:.3g} A are drawn at place {bay.name} once its contact is closed, {wanted_a:.3g} A are declared"
        look = "Take the unit out of that place, then prove the bench again: no unit may be connected"
        raise Failed(f"{told}: a unit is connected there", look)


async def _why_not(rail: Rail, bay: Bay, bays: list[Bay], volts: float) -> str:
    """Whether another place's contact lets them through in its stead."""
    switch, own = rail.lead.desk.hands.load_switch, bay.supply_contact or ""
    state = "reads closed" if switch.reads_back else "was told to close"
    told = f"{volts:.2g} V of {RAIL_V:g} V are seen at place {bay.name} although contact {own} {state}"
    for other in bays:
        if other is bay:
            continue
        await switch.open_all()
        await switch.close([*beside(bay), other.supply_contact or ""])
        if _there(await rail.volts()):
            return f"{told}; they come through contact {other.supply_contact}: the two are swapped"
    return f"{told}: it never closes, or its lead is open"


def beside(bay: Bay) -> list[str]:
    """The place's other contacts."""
    return [c for c in (bay.input_contact, *bay.output_contacts) if c]


def _there(volts: float) -> bool:
    return abs(volts) > THERE_PART * RAIL_V
