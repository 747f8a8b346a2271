"""The supply role against literal transcripts of two manual pages with opposite status bits."""

from __future__ import annotations

import asyncio
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import load_dialect
from drivers.errors import CeilingPassed, GarbledReply, NotANumber, SettingRefused
from drivers.roles.supply import Supply, SupplyCeilings, SupplyReading, SupplyStatus
from tests.drivers.scripted import Scripted

CEILINGS = SupplyCeilings(volts=31.2, amps=40.0, over_voltage_trip_v=33.0)
EMPTY = '\n> SYSTem:ERRor?\n< 0,"No error"\n'

# Programming page of supply-a; a trip below the volts set would be refused there, so 0 V comes first.
PREPARE_A = f"""
> OUTPut OFF{EMPTY}> OUTPut?
< 0
> VOLTage 0
> VOLTage:PROTection 33
> CURRent 40{EMPTY}> VOLTage?
< 0.00000E+00
> VOLTage:PROTection?
< 3.30000E+01
> CURRent?
< 4.00000E+01
> STATus:QUEStionable:CONDition?
< 0
> STATus:QUEStionable?
< 1
> STATus:QUEStionable:CONDition?
< 0
> STATus:QUEStionable?
< 0
"""
SET_A = f"""
> CURRent 5
> VOLTage 24{EMPTY}> CURRent?
< 5.00000E+00
> VOLTage?
< 2.40000E+01
> VOLTage:PROTection?
< 3.30000E+01
"""
ON_A = f"""
> VOLTage:PROTection?
< 3.30000E+01
> OUTPut ON{EMPTY}> OUTPut?
< 1
"""

# Programming page of supply-b.
PREPARE_B = (
    f"""
> CONFigure:OUTPut OFF{EMPTY}> CONFigure:OUTPut?
< OFF
> SOURce:VOLTage:LEVel 0
> SOURce:VOLTage:PROTection:HIGH 33
> SOURce:CURRent:LEVel 40{EMPTY}> SOURce:VOLTage:LEVel?
< 0.000
> SOURce:VOLTage:PROTection:HIGH?
< 33.000
> SOURce:CURRent:LEVel?
< 40.000
"""
    + 2
    * """
> STATus:QUEStionable:CONDition?
< 0
> STATus:OPERation:CONDition?
< 0
> STATus:QUEStionable?
< 0
> STATus:OPERation?
< 0
"""
)


def supply(letter: str, transcript: str) -> tuple[Supply, Scripted]:
    speaker = Scripted(transcript, name="supply")
    return Supply(speaker, load_dialect(f"supply-{letter}", "supply"), CEILINGS), speaker


def status_a(live: int, latched: int) -> str:
    return f"> STATus:QUEStionable:CONDition?\n< {live}\n> STATus:QUEStionable?\n< {latched}\n"


def status_b(live: int, live_operation: int, latched: int, latched_operation: int) -> str:
    return (
        f"> STATus:QUEStionable:CONDition?\n< {live}\n> STATus:OPERation:CONDition?\n< {live_operation}\n"
        f"> STATus:QUEStionable?\n< {latched}\n> STATus:OPERation?\n< {latched_operation}\n"
    )


async def test_a_prepare_set_on_read() -> None:
    role, speaker = supply("a", PREPARE_A + SET_A + ON_A + "> MEASure:ALL?\n< +2.39987E+01,+1.25000E+00")
    await role.prepare()
    await role.set(24.0, 5.0)
    await role.output(True)
    assert await role.read() == SupplyReading(23.9987, 1.25)
    speaker.done()


async def test_the_trip_for_one_unit_lies_below_the_ceiling_s_and_is_asked_for_before_it_is_on() -> None:
    """Programming page of supply-a: a trip below the volts set is refused, so 0 V comes first."""
    lower = (
        f"> VOLTage 0\n> VOLTage:PROTection 28.6{EMPTY}> VOLTage?\n< 0.00000E+00\n> VOLTage:PROTection?\n< 2.86000E+01"
    )
    role, speaker = supply("a", PREPARE_A + lower + (SET_A + ON_A).replace("< 3.30000E+01", "< 2.86000E+01"))
    await role.prepare()
    await role.trip_above(28.6)
    await role.set(24.0, 5.0)
    await role.output(True)
    speaker.done()


async def test_the_trip_for_one_unit_never_passes_the_ceiling_s() -> None:
    again = (
        f"> VOLTage 0\n> VOLTage:PROTection 33{EMPTY}> VOLTage?\n< 0.00000E+00\n> VOLTage:PROTection?\n< 3.30000E+01"
    )
    role, speaker = supply("a", PREPARE_A + again)
    await role.prepare()
    await role.trip_above(40.0)
    speaker.done()
    for wrong in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(CeilingPassed, match="nothing was sent"):
            await role.trip_above(wrong)


async def test_a_trip_that_was_not_taken_over_keeps_the_output_off() -> None:
    kept = (
        f"> VOLTage 0\n> VOLTage:PROTection 28.6{EMPTY}> VOLTage?\n< 0.00000E+00\n> VOLTage:PROTection?\n< 3.30000E+01"
    )
    role, _ = supply("a", PREPARE_A + kept)
    await role.prepare()
    with pytest.raises(SettingRefused, match="over_voltage_trip"):
        await role.trip_above(28.6)
    with pytest.raises(SettingRefused, match="volts were not set"):
        await role.output(True)


async def test_b_prepare_set_on_read() -> None:
    """Labelled replies, words for the output (manual page of supply-b)."""
    rest = f"""
    > SOURce:CURRent:LEVel 5
    > SOURce:VOLTage:LEVel 24{EMPTY}> SOURce:CURRent:LEVel?
    < 5.000
    > SOURce:VOLTage:LEVel?
    < 24.000
    > SOURce:VOLTage:PROTection:HIGH?
    < 33.000
    > SOURce:VOLTage:PROTection:HIGH?
    < 33.000
    > CONFigure:OUTPut ON{EMPTY}> CONFigure:OUTPut?
    < ON
    > FETCh:VOLTage?
    < VOLT 23.998
    > FETCh:CURRent?
    < CURR 1.250
    """
    role, speaker = supply("b", PREPARE_B + rest)
    await role.prepare()
    await role.set(24.0, 5.0)
    await role.output(True)
    assert await role.read() == SupplyReading(23.998, 1.25)
    speaker.done()


HEALTHY = SupplyStatus(in_current_limit=False, limited_since_last=False, tripped=None)


@pytest.mark.parametrize(
    ("live", "latched", "expected"),
    [  # manual page of supply-a: bit 0 limit, 1 constant voltage (healthy), 4 hot, 9 over volts, 10 over amps
        (2, 0, HEALTHY),
        (2, 2, HEALTHY),
        (0, 0, HEALTHY),
        (2, 1, SupplyStatus(False, True, None)),
        (1, 0, SupplyStatus(True, True, None)),
        (1, 1, SupplyStatus(True, True, None)),
        (512, 512, SupplyStatus(False, False, "over_voltage")),
        (1024, 0, SupplyStatus(False, False, "over_current")),
        (0, 1024, SupplyStatus(False, False, "over_current")),
        (16, 0, SupplyStatus(False, False, "too_hot")),
    ],
)
async def test_a_status(live: int, latched: int, expected: SupplyStatus) -> None:
    role, speaker = supply("a", status_a(live, latched))
    assert await role.status() == expected
    speaker.done()


@pytest.mark.parametrize(
    ("replies", "expected"),
    [  # manual page of supply-b: QUES bit 0 over volts, 1 over amps, 4 hot; OPER bit 8 volts, 10 limit
        ((0, 0, 0, 0), HEALTHY),
        ((0, 256, 0, 256), HEALTHY),
        ((2, 0, 0, 0), SupplyStatus(False, False, "over_current")),
        ((1, 0, 0, 0), SupplyStatus(False, False, "over_voltage")),
        ((0, 0, 1, 0), SupplyStatus(False, False, "over_voltage")),
        ((0, 1024, 0, 0), SupplyStatus(True, True, None)),
        ((0, 256, 0, 1280), SupplyStatus(False, True, None)),
        ((16, 256, 0, 0), SupplyStatus(False, False, "too_hot")),
    ],
)
async def test_b_status(replies: tuple[int, int, int, int], expected: SupplyStatus) -> None:
    role, speaker = supply("b", status_b(*replies))
    assert await role.status() == expected
    speaker.done()


async def test_the_same_reply_means_the_opposite() -> None:
    """`2` is plain constant voltage in a, an over-current trip in b (both manual pages)."""
    a, _ = supply("a", status_a(2, 0))
    b, _ = supply("b", status_b(2, 0, 0, 0))
    assert (await a.status()).tripped is None
    assert (await b.status()).tripped == "over_current"


async def test_a_standing_trip_ends_the_preparation() -> None:
    """Clearing a trip is a person's decision (common practice, no source)."""
    role, _ = supply("a", PREPARE_A.rsplit("> STATus:QUEStionable:CONDition?", 1)[0] + status_a(512, 0))
    with pytest.raises(SettingRefused, match="over_voltage trip stands"):
        await role.prepare()
    with pytest.raises(SettingRefused, match="not prepared"):
        await role.output(True)


async def test_clear_trip_switches_off_first() -> None:
    """Manual page of supply-a: clearing is refused with the output on."""
    role, speaker = supply(
        "a", f"> OUTPut OFF{EMPTY}> OUTPut?\n< 0\n> OUTPut:PROTection:CLEar{EMPTY}" + status_a(0, 512)
    )
    await role.clear_trip()
    speaker.done()


async def test_values_that_read_back_otherwise() -> None:
    """1 % off is refused in each of the three."""
    for there, instead, named in [
        ("> VOLTage?\n< 2.40000E+01", "> VOLTage?\n< 2.42400E+01", "volts"),
        ("> CURRent?\n< 5.00000E+00", "> CURRent?\n< 5.05000E+00", "limit"),
        ("> VOLTage:PROTection?\n< 3.30000E+01", "> VOLTage:PROTection?\n< 3.33300E+01", "over_voltage_trip"),
    ]:
        assert there in SET_A
        role, _ = supply("a", PREPARE_A + SET_A.replace(there, instead))
        await role.prepare()
        with pytest.raises(SettingRefused, match=named):
            await role.set(24.0, 5.0)
        with pytest.raises(SettingRefused, match="volts were not set"):
            await role.output(True)


@pytest.mark.parametrize("entry", ['-221,"Settings conflict"', '-222,"Data out of range"', '-224,"Illegal"'])
async def test_refused_by_the_instrument(entry: str) -> None:
    cut = SET_A.split('< 0,"No error"')[0] + f'< {entry}\n> SYSTem:ERRor?\n< 0,"No error"'
    role, speaker = supply("a", PREPARE_A + cut)
    await role.prepare()
    with pytest.raises(SettingRefused, match="did not take"):
        await role.set(24.0, 5.0)
    speaker.done()


async def test_output_that_does_not_come_on_is_switched_off() -> None:
    on = ON_A.replace("> OUTPut?\n< 1", "> OUTPut?\n< 0") + "> OUTPut OFF\n> OUTPut?\n< 0"
    role, speaker = supply("a", PREPARE_A + SET_A + on)
    await role.prepare()
    await role.set(24.0, 5.0)
    with pytest.raises(SettingRefused, match="output reads back"):
        await role.output(True)
    speaker.done()


async def test_reopened_link_refuses_on_but_never_off() -> None:
    off = f"> OUTPut OFF{EMPTY}> OUTPut?\n< 0\n"
    role, speaker = supply("a", PREPARE_A + SET_A + off)
    await role.prepare()
    await role.set(24.0, 5.0)
    speaker.openings += 1
    for act in (role.output(True), role.set(24.0, 5.0)):
        with pytest.raises(SettingRefused, match="reopened"):
            await act
    await role.output(False)
    speaker.done()


async def test_numbers_nobody_may_use() -> None:
    """Sentinel of SCPI-1999 vol. 1, 7.2.1; labels of the manual page of supply-b exchanged."""
    role, _ = supply("a", "> MEASure:ALL?\n< +2.39987E+01,+9.90000E+37")
    with pytest.raises(NotANumber):
        await role.read()
    role, _ = supply("b", "> FETCh:VOLTage?\n< CURR 23.998")
    with pytest.raises(GarbledReply):
        await role.read()


async def test_make_safe() -> None:
    a, speaker = supply("a", "> OUTPut OFF\n> OUTPut?\n< 0")
    await a.make_safe()
    speaker.done()
    b, speaker = supply("b", "> CONFigure:OUTPut OFF\n> CONFigure:OUTPut?\n< ON")
    with pytest.raises(SettingRefused, match="after make safe"):
        await b.make_safe()
    assert (a.make_safe_lines(), b.make_safe_lines()) == (("OUTP OFF",), ("CONF:OUTP OFF",))


class Agreeable(Scripted):
    """Answers every question with what was told last under the same header, error queue empty."""

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        self.told += messages

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        header = message.rstrip("?")
        values = [m.partition(" ")[2] for m in self.told if m.partition(" ")[0] == header]
        return {"ON": "1", "OFF": "0"}.get(values[-1], values[-1]) if values else "0"


@settings(max_examples=200, deadline=None, database=None)
@given(
    requests=st.lists(
        st.tuples(st.one_of(st.floats(), st.floats(0, 70)), st.one_of(st.floats(), st.floats(0, 90))),
        max_size=6,
    ),
    volts=st.floats(0.1, 60),
    amps=st.floats(0.1, 80),
)
def test_no_message_ever_passes_a_ceiling(requests: list[tuple[float, float]], volts: float, amps: float) -> None:
    """Truth: the numbers in the messages, three decimals and all."""
    speaker = Agreeable("")
    role = Supply(speaker, load_dialect("supply-a", "supply"), SupplyCeilings(volts, amps, volts + 1))

    async def drive() -> None:
        await role.prepare()
        for v, a in requests:
            try:
                await role.set(v, a)
            except CeilingPassed:
                continue

    asyncio.run(drive())
    sent = [m.split(" ") for m in speaker.told]
    assert all(float(v) <= volts for head, v in sent if head == "VOLT")
    assert all(float(v) <= amps for head, v in sent if head == "CURR")
    assert all(float(v) <= volts + 1 for head, v in sent if head == "VOLT:PROT")
    assert all(math.isfinite(float(v)) for head, v in sent if head != "OUTP")
