"""Our drivers and a shipped dialect against instruments that others wrote: pyvisa-sim, a general simulator of VISA
resources. It is loaded as any other VISA library is, by the bench file's word for it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.dialect import load_dialect
from drivers.errors import LinkRefused, LinkTimeout, SettingRefused, WrongIdentity
from drivers.link import LinkModel
from drivers.roles.meter import Meter
from drivers.speaker import Greeting
from sequencer.clock import run_real

LIBRARY = f"{Path(__file__).with_name('sim_meter.yaml')}@sim"
USB = "USB0::0x1ab1::0x0001::TM-0344::0::INSTR"
ADDRESSES = [USB, "GPIB0::9::INSTR", "TCPIP0::192.0.2.7::inst0::INSTR", "ASRL1::INSTR"]


def talk(
    address: str, body: Callable[[Actor], Awaitable[None]], greeting: Greeting | None = None, library: str = LIBRARY
) -> None:
    async def main(clock: Any) -> None:
        greets = greeting or load_dialect("meter-a", "meter").greeting()
        actor = Actor(LinkModel("meter", address, within_s=1.0, library=library), greets, clock)
        try:
            await body(actor)
        finally:
            await actor.close()

    run_real(main)


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_shipped_dialect_drives_it_by_every_kind_of_link(address: str) -> None:
    async def body(actor: Actor) -> None:
        meter = Meter(actor, load_dialect("meter-a", "meter"))
        await meter.prepare()
        assert await meter.set_range(20.0) == 20.0
        assert (await meter.read()).vrms == 12.3456789
        assert await actor.ask("VOLT:AC:NPLC?") == "1.00000E+01"  # ten periods, as prepared
        assert actor.identity == "NORTHQUAY,TM-6,TM-0344,2.0"

    talk(address, body)


@pytest.mark.parametrize("address", [USB, "ASRL1::INSTR"])
def test_what_it_refuses_is_refused(address: str) -> None:
    async def body(actor: Actor) -> None:
        meter = Meter(actor, load_dialect("meter-a", "meter"))
        await meter.prepare()
        with pytest.raises(SettingRefused):
            await meter.set_range(1000.0)

    talk(address, body)


def test_silence_another_identity_and_nobody() -> None:
    async def silent(actor: Actor) -> None:
        with pytest.raises(LinkTimeout):
            await actor.ask("CONF:VOLT:AC", within_s=0.2)  # no question: nothing comes
        assert await actor.ask("READ?") == "+1.23456789E+01"  # opened again and in step

    async def stranger(actor: Actor) -> None:
        with pytest.raises(WrongIdentity, match="TM-6"):
            await actor.open()

    async def nobody(actor: Actor) -> None:
        with pytest.raises(LinkRefused, match="no connection to USB0"):
            await actor.open()

    talk(USB, silent)
    talk(USB, stranger, Greeting(identity_begins="LIGHTSHIP,"))
    talk(USB, nobody, library="@py")  # no such instrument on this machine, or no USB at all
