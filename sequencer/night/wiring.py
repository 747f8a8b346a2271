"""What connects the unit now under test: its bay's contacts, its load, its supply, its remote line.

Contacts change in silence only: bursts are over, the next is not armed. The remote line follows the supply when it
comes on and goes before it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.errors import InstrumentError
from drivers.timing import Clock
from sequencer.night.barriers import Barriers
from sequencer.night.hands import Hands
from sequencer.night.trips import NotPowered, Trip
from sequencer.plan.models import Bay, Bench, Load, Unit

__all__ = ["NotPowered", "Trip", "Wiring"]

SUPPLY_WITHIN_PCT = 2.0
OVER_VOLTAGE_FACTOR = 1.1  # trip at 10 % above the most that bench and unit bear (common practice, no source)
INRUSH_S = 0.5
RESTARTED = "instrument restarted"


class Wiring:
    """Of one unit in its bay. supply_v: as set, None while it is off. changing, changed_ns: supply or remote line is
    being changed; when it last was, bench clock. moves: how often load contacts were told to move."""

    def __init__(self, hands: Hands, clock: Clock, bench: Bench, unit: Unit, bay: Bay) -> None:
        self._hands, self._clock, self._bench, self._unit, self._bay = hands, clock, bench, unit, bay
        self._connected: tuple[str, ...] = ()
        self._remote_on = False
        self._undriven: tuple[str, ...] = ()
        self._metered: tuple[str, ...] = ()
        self._parted: tuple[str, ...] = ()
        self.supply_v: float | None = None
        self.moves = 0
        self.changing, self.changed_ns = False, clock.now_ns()
        self.barriers = Barriers(hands, bench)

    @contextmanager
    def _change(self) -> Iterator[None]:
        """Whoever watches the unit looks away while supply or remote line change, and until they have settled."""
        self.changing = True
        try:
            yield
        finally:
            self.changing, self.changed_ns = False, self._clock.now_ns()

    @property
    def has_remote(self) -> bool:
        return self._bay.remote_contact is not None

    @property
    def most_a(self) -> float:
        """The current limit of a unit that works, A."""
        return min(self._unit.supply_a_max, self._bench.ceiling.supply_a)

    async def guard_supply(self) -> None:
        """Its over-voltage trip for this unit, before it is powered: the lesser of what bench and unit bear. The supply
        is off."""
        await self._hands.supply.trip_above(OVER_VOLTAGE_FACTOR * self._unit.supply_v.max)

    async def close_bay(self) -> None:
        """Supply, input and outputs; the remote line stays off. Raises Trip where the interlock is open."""
        await self.barriers.closed()
        await self._hands.load_switch.close(bay_contacts(self._bay))

    async def connect(self, load: str | None, channels: tuple[str, ...]) -> None:
        """`load` on these channels only; None: no load at all."""
        wanted = () if load is None else load_contacts(self._bench.load[load], channels)
        if self._connected == wanted:
            return
        switch = self._hands.load_switch
        self.moves += 1
        if self._connected:
            await switch.open(self._connected)
        self._connected = ()
        if wanted:
            await switch.close(wanted)
        self._connected = wanted

    async def inputs(self, channels: tuple[str, ...] | None) -> None:
        """The generator on the inputs of these channels only; None: on all. A bay without a contact for each channel
        has them all on it, always."""
        contacts = self._bay.input_contacts
        undriven = () if channels is None else tuple(c for name, c in contacts.items() if name not in channels)
        if undriven == self._undriven:
            return
        switch = self._hands.load_switch
        if back := [contact for contact in self._undriven if contact not in undriven]:
            await switch.close(back)
        if away := [contact for contact in undriven if contact not in self._undriven]:
            await switch.open(away)
        self._undriven = undriven

    async def meter_on(self, channel: str | None) -> None:
        """The bench's meter on this channel's output and on no other; None: on none that has contacts for it."""
        meter = self._bench.meter
        wanted = () if meter is None or channel is None else meter.close[channel]
        if wanted == self._metered:
            return
        switch = self._hands.load_switch
        if self._metered:
            await switch.open(self._metered)
        self._metered = ()
        if wanted:
            await switch.close(wanted)
        self._metered = wanted

    async def outputs(self, closed: bool) -> None:
        """The bay's output contacts. They open only where the unit is off: under a signal or an offset they weld."""
        off = self.supply_v is None or (self.has_remote and self._unit.remote_line and not self._remote_on)
        if not closed and not off:
            raise Trip("the output contacts were to open while the unit is on: they stay closed")
        parted = () if closed else self._bay.output_contacts
        if parted == self._parted:
            return
        switch = self._hands.load_switch
        await (switch.close(self._parted) if closed else switch.open(parted))
        self._parted = parted

    async def set_supply(self, volts: float, limit_a: float, on: bool) -> None:
        """As a measurement asks; within the unit's and the bench's limits, whoever asks. Raises Trip where the
        interlock is open. The cut-off is pulled in while the supply is off."""
        supply = self._hands.supply
        with self._change():
            await supply.set(volts, min(limit_a, self.most_a))
            if on != (self.supply_v is not None):
                if on:
                    await self.barriers.before_power()
                await supply.output(on)
            self.supply_v = volts if on else None

    async def left_off(self) -> None:
        """After a person did not do what a point needs. Raises Trip where it is not said, or seen, to be off."""
        with self._change():
            await self._hands.supply.output(False)
            self.supply_v = None

    async def remote(self, on: bool) -> None:
        contact = self._bay.remote_contact
        if contact is None or on == self._remote_on:
            return
        switch = self._hands.load_switch
        self._remote_on = True  # also where this is broken off: whoever switches it off must not pass it by
        with self._change():
            await (switch.close([contact]) if on else switch.open([contact]))
        self._remote_on = on

    async def supply_to(self, volts: float) -> None:
        """Raises NotPowered where the supply does not come to these volts, limits, or trips."""
        if self.supply_v == volts:
            return
        supply = self._hands.supply
        await self.set_supply(volts, self.most_a, on=True)
        if "supply" in self._hands.by_hand:  # it was looked at where a person said that it is on
            await self.remote(True)
            await self._clock.sleep(self._unit.mute_s)
            return
        await self._clock.sleep(INRUSH_S)
        await supply.status()  # reading it clears what the inrush latched
        reading, status = await supply.read(), await supply.status()
        if status.tripped:
            words = f"supply tripped ({status.tripped.replace('_', ' ')}) when the unit was powered"
            raise NotPowered(words, "supply tripped")
        if status.in_current_limit or abs(reading.volts - volts) > SUPPLY_WITHIN_PCT / 100.0 * volts:
            words = f"supply shows {reading.volts:.2f} V, {reading.amps:.2f} A where {volts:g} V is set"
            raise NotPowered(words, "supply volts")

    async def still_closed(self) -> None:
        """The coils still hold: a switch that restarted unseen has opened everything, and the records are of no load.

        A link that broke meanwhile is made anew first: its loss alone moves no contact. Where relays can't be read back
        nothing is known here. Raises Trip.
        """
        switch = self._hands.load_switch
        if not switch.reads_back:
            return
        away = (*self._undriven, *self._parted)
        held = [*(c for c in bay_contacts(self._bay) if c not in away), *self._connected, *self._metered]
        held += [self._bay.remote_contact] if self._bay.remote_contact and self._remote_on else []
        try:
            coils = await switch.states(held)
        except InstrumentError:
            await switch.prepare()
            coils = await switch.states(held)
        if open_ones := [name for name in held if not coils[name]]:
            raise Trip(
                f"load_switch: {', '.join(open_ones)} opened while a point was measured: it is not kept", RESTARTED
            )

    def forget(self) -> None:
        """After the bench was made safe with all contacts open."""
        self.moves += 1
        self._connected, self._undriven, self._parted, self._metered = (), (), (), ()
        self._remote_on, self.supply_v = False, None
        self.barriers.is_held = False


def bay_contacts(bay: Bay) -> list[str]:
    """Supply, inputs and outputs of a bay."""
    supply_and_input = (c for c in (bay.supply_contact, bay.input_contact) if c)
    return [*supply_and_input, *bay.input_contacts.values(), *bay.output_contacts]


def load_contacts(load: Load, channels: tuple[str, ...]) -> tuple[str, ...]:
    """The contacts that put a load on these channels, each once."""
    return tuple(dict.fromkeys(c for name in channels for c in load.contacts_of(name)))
