"""Dialects against panels: everything a role can do, over real sockets, held against the truth of the simulated world.

Both sides were written from simulators/panels/MANUALS.md, neither from the other; expected texts are that page's.
"""

from __future__ import annotations

import pytest

from drivers.errors import CeilingPassed, NotANumber, SettingRefused
from tests.wire.contract_bench import (
    AT_INPUT,
    FREQUENCY_HZ,
    LEVEL_VRMS,
    METER_CONTACTS,
    Joint,
    joint,
)

# generator-a


def test_generator_is_prepared_silent_and_fires_what_was_set() -> None:
    """Level rounded down to 0.1 mV (page); e.m.f., frequency and cycles as the world saw them."""

    async def body(at: Joint) -> None:
        generator = at.generator
        await generator.prepare()
        state = {q: at.asks("generator", q) for q in ("OUTP1?", "OUTP1:LOAD?", "SOUR1:BURS:STAT?", "TRIG1:SOUR?")}
        assert state == {"OUTP1?": "0", "OUTP1:LOAD?": "9.9E+37", "SOUR1:BURS:STAT?": "1", "TRIG1:SOUR?": "BUS"}
        assert at.asks("generator", "SOUR1:VOLT:UNIT?") == "VRMS"
        assert generator.smallest_vrms == 1e-4
        found = await generator.set_burst(0.12349, 440.0, 7)
        assert (found.level_vrms, found.frequency_hz, found.cycles) == (0.1234, 440.0, 7)
        assert at.asks("generator", "SOUR1:VOLT?") == "+1.2340000E-01"
        await generator.output(True)
        assert at.asks("generator", "OUTP1?") == "1"
        assert at.bench.world.tone_at(at.clock.now_ns()) is None
        await generator.fire()
        await at.clock.sleep(0.1)
        (burst,) = at.bursts
        assert (burst.emf_vrms, burst.frequency_hz, burst.cycles) == (pytest.approx(0.1234, rel=1e-12), 440.0, 7)
        assert burst.end_ns - burst.start_ns == pytest.approx(7 / 440.0 * 1e9, abs=1)
        assert not burst.cut
        await generator.output(False)
        assert at.asks("generator", "OUTP1?") == "0"
        assert at.errors == []

    joint(body)


def test_generator_says_when_it_did_not_fire_and_is_silenced_within_a_burst() -> None:
    """Page: -211 while a burst runs; output off ends a running burst at once."""

    async def body(at: Joint) -> None:
        generator = at.generator
        await generator.prepare()
        with pytest.raises(SettingRefused, match="no burst is set"):
            await generator.fire()
        await generator.output(True)
        await generator.set_burst(0.1, 1000.0, 1000)
        await generator.fire()
        with pytest.raises(SettingRefused, match="burst not fired"):
            await generator.fire()
        await at.clock.sleep(0.1)
        await generator.make_safe()
        assert at.bench.world.tone_at(at.clock.now_ns()) is None
        (burst,) = at.bursts
        assert burst.cut
        assert 100_000_000 < burst.end_ns - burst.start_ns < 120_000_000
        assert [e.split(b",")[0] for e in at.errors] == [b"-211"]

    joint(body)


def test_generator_ceilings_hold_before_anything_is_sent() -> None:
    async def body(at: Joint) -> None:
        await at.generator.prepare()
        said = len(at.said)
        for level_vrms, frequency_hz, cycles in ((4.01, 1e3, 1), (0.1, 1e3, 2001), (0.1, 1.01e5, 1), (5e-5, 1e3, 1)):
            with pytest.raises(CeilingPassed):
                await at.generator.set_burst(level_vrms, frequency_hz, cycles)
        assert len(at.said) == said

    joint(body)


# load-switch-a, thermometer-a


def test_contacts_follow_what_the_role_says_and_are_quiet_when_it_returns() -> None:
    """Page: contact 15 ms after its coil, bounce over after 25 ms."""

    async def body(at: Joint) -> None:
        switch, world = at.load_switch, at.bench.world
        await switch.prepare()
        begun_ns = at.clock.now_ns()
        await switch.close(["101", "203"])
        assert at.clock.now_ns() - begun_ns >= 25_000_000
        assert world.contacts(at.clock.now_ns()) == {"101", "203"}
        assert await switch.states(["203", "102", "101"]) == {"203": True, "102": False, "101": True}
        await switch.open(["203"])
        assert world.contacts(at.clock.now_ns()) == {"101"}
        await switch.make_safe()
        assert world.contacts(at.clock.now_ns()) == {"101"}
        await switch.close(["116", "208"])
        await switch.open_all()
        assert world.contacts(at.clock.now_ns()) == frozenset()
        assert at.errors == []
        with pytest.raises(SettingRefused, match="Data out of range"):
            await switch.close(["117"])
        assert world.contacts(at.clock.now_ns()) == frozenset()

    joint(body)


def test_degrees_are_those_of_the_heat_sink_and_an_open_input_is_no_number() -> None:
    """Heated by its own idle power for 20 s; display in hundredths (page: as the panel rounds)."""

    async def body(at: Joint) -> None:
        await at.energise()
        cold = await at.thermometer.read(["301"])
        await at.clock.sleep(20.0)
        warm = await at.thermometer.read(["301"])
        assert warm["301"] == pytest.approx(at.bench.world.temperature_c("301", at.clock.now_ns()), abs=0.011)
        assert warm["301"] > cold["301"] + 5.0
        with pytest.raises(NotANumber):
            await at.thermometer.read(["301", "308"])
        assert at.asks("thermometer", "UNIT:TEMP?") == "C"
        assert at.errors == []

    joint(body)


def test_the_meter_reads_the_rms_of_the_tone_it_hangs_on() -> None:
    """Level x 10 x the input's divider, in rms, whatever DC stands beside it; its ranges by the page. An open lead
    reads nothing, and what is beyond the range is no number."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.meter.prepare()
        asked = ("VOLT:AC:BAND?", "VOLT:AC:NPLC?")
        assert [at.asks("meter", one) for one in asked] == ["20", "1.00000E+01"]
        await at.load_switch.close(METER_CONTACTS)
        assert await at.meter.set_range(4.0) == 10.0
        burst = await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, 1500)
        await at.generator.fire()
        read = await at.meter.read()
        assert read.range_vrms == 10.0
        assert read.vrms == pytest.approx(10.0 * burst.level_vrms * AT_INPUT, rel=1e-4)
        await at.clock.sleep(1.0)
        assert await at.meter.set_range(1.0) == 1.0
        await at.generator.fire()
        with pytest.raises(NotANumber):
            await at.meter.read()
        await at.clock.sleep(1.0)
        await at.load_switch.open(METER_CONTACTS)
        await at.generator.fire()
        assert (await at.meter.read()).vrms < 1e-6
        assert at.errors == []

    joint(body)
