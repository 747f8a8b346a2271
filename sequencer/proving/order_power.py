"""Barriers, supply and the contacts that its volts are seen through: which steps, in which order."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from drivers.errors import InstrumentError
from sequencer.night import barriers
from sequencer.proving import steps_place, steps_supply
from sequencer.proving.desk import Desk
from sequencer.proving.order_signal import ready
from sequencer.proving.record import ProofValue
from sequencer.proving.running import Running, Told
from sequencer.proving.words import Failed

FEEDS_A_HOLD = 4
EYES = ("load_switch", "digitiser", "generator")
NOT_SOUND = "its volts and amps are not as they should be"


async def power(running: Running) -> None:
    """Interlock and cut-off first; then the supply, with the cut-off fed meanwhile."""
    desk = running.desk
    if "interlock" in desk.there:
        await running.step("interlock", "interlock", _interlock, desk)
    if "cut_off" in desk.there:
        await running.step("cut-off", "cut_off", _cut_off, desk)
    if "supply" not in desk.there:
        by_hand = "supply" in desk.bench.by_hand
        running.unseen("volts", "supply", "a person works it" if by_hand else desk.lost.get("supply", "not there"))
        return
    async with _fed(desk):
        await _supply(running, steps_supply.Lead(desk))


async def _supply(running: Running, lead: steps_supply.Lead) -> None:
    """Nothing more is powered where volts and amps are not as they should be; off is proved all the same."""
    blind = _blind(running)
    try:
        sound = await running.step("volts", "supply", _regulated, lead)
        lead.sound = sound
        if sound:
            await running.step("current limit", "supply", steps_supply.limit, lead)
            await _places(running, lead, blind)
        else:
            running.unseen("current limit", "supply", NOT_SOUND)
            running.unseen("places", "load_switch", "the supply's volts are needed to see them")
        await running.step("off", "supply", _off, lead, sound and blind is None)
        if sound:
            await running.step("over-voltage trip", "supply", steps_supply.over_voltage, lead)
    finally:
        with suppress(InstrumentError):
            await lead.off()


async def _regulated(lead: steps_supply.Lead) -> Told:
    await lead.desk.hands.supply.prepare()
    return await steps_supply.regulated(lead)


def _blind(running: Running) -> str | None:
    """Why nothing can be seen at the rail's input; None: it can. A digitiser that failed a step is no witness."""
    desk = running.desk
    if missing := [role for role in EYES if role not in desk.there]:
        return f"no {missing[0]} to see it with"
    if desk.bench.input_for("rail") is None:
        return "no input of the digitiser is wired to the rail"
    bad = [one for one in running.steps if one.outcome == "failed" and one.about.startswith(("digitiser", "generator"))]
    return f"a witness that failed a step ({bad[0].name}: {bad[0].about}) is none" if bad else None


async def _places(running: Running, lead: steps_supply.Lead, blind: str | None) -> None:
    """The rail's input is looked at by a burst of least level."""
    if blind is not None:
        running.unseen("places", "load_switch", blind)
    else:
        await running.step("places", "load_switch", _seen_through, lead)


async def _seen_through(lead: steps_supply.Lead) -> Told:
    await ready(lead.desk)
    try:
        return await steps_place.places(lead)
    finally:
        await lead.desk.hands.generator.output(False)


async def _off(lead: steps_supply.Lead, has_eyes: bool) -> Told:
    """On at its highest step, then off; through the first place's contacts the digitiser sees it too. Where its volts
    are not sound it stays as it is, and is switched off."""
    desk, volts = lead.desk, lead.volts[-1]
    bay = next((one for one in desk.bench.bay if one.supply_contact), None)
    rail = steps_place.rail_of(lead) if bay is not None and has_eyes else None
    if lead.sound:
        await lead.point(volts, lead.limit_for(volts))
    try:
        if rail is not None and bay is not None:
            await desk.hands.load_switch.prepare()
            await desk.hands.load_switch.close([bay.supply_contact or "", *steps_place.beside(bay)])
            await ready(desk)
        await lead.off()
        await desk.clock.sleep(steps_supply.SETTLES_S)
        return await steps_supply.off(lead, None if rail is None else await rail.volts())
    finally:
        if rail is not None:
            await desk.hands.generator.output(False)
            await desk.hands.load_switch.open_all()


@asynccontextmanager
async def _fed(desk: Desk) -> AsyncIterator[None]:
    """A cut-off pulled in, and fed meanwhile."""
    cut_off = desk.hands.cut_off
    if cut_off is None or "cut_off" not in desk.there:
        yield
        return

    async def feeding() -> None:
        while await cut_off.feed():
            await desk.clock.sleep(desk.bench.cut_off.hold_s / FEEDS_A_HOLD)

    with suppress(InstrumentError):
        await cut_off.pull_in()
    task = asyncio.ensure_future(feeding())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError, InstrumentError):
            await task


async def _interlock(desk: Desk) -> str:
    assert desk.hands.interlock is not None
    names = {one.contact: one.name for one in desk.bench.interlock}
    found = await desk.hands.interlock.read(tuple(names))
    if is_open := [name for contact, name in names.items() if not found[contact]]:
        look = "Close what is open, or look at its wires; power and signal need all of them closed"
        raise Failed(f"{', '.join(is_open)} reads open", look)
    return f"{len(names)} contacts read closed; that each opens is not seen: open each by hand once"


async def _cut_off(desk: Desk) -> Told:
    assert desk.hands.cut_off is not None
    await desk.hands.cut_off.prepare()
    proof = await barriers.prove(desk.hands.cut_off, desk.clock, desk.bench.cut_off.hold_s)
    values = [ProofValue(name=name, value=value, unit="s") for name, value in proof.items()]
    return f"it dropped {proof['dropped_after_s']:g} s after it was fed last", values
