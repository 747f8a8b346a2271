"""Dialects against panels: what every front of a generator, load switch, thermometer or meter must do for its role,
over real sockets, held against the truth of the simulated world. Fronts without a dialect are left out.

Both sides were written from simulators/panels/MANUALS.md, neither from the other.
"""

from __future__ import annotations

import math

import pytest

from drivers.errors import CeilingPassed, NotANumber, SettingRefused
from tests.wire.contract_bench import AT_INPUT, METER_CONTACTS, Joint, described, joint

LEVEL_STEP_VRMS = 1e-4  # pages: 0.1 mVpp and 0.1 mV peak are less in Vrms

GENERATORS = described("generator-a", "generator-b", "generator-c")
LOAD_SWITCHES = described("load-switch-a", "load-switch-b", "load-switch-c")
THERMOMETERS = described("thermometer-a", "thermometer-b", "thermometer-c")
METERS = described("meter-a", "meter-b", "meter-c")


@pytest.mark.parametrize("front", GENERATORS)
def test_generator_is_prepared_silent_and_fires_what_was_set(front: str) -> None:
    """The e.m.f. in the world is the level told, never above the one asked for; nothing sounds before it is fired."""

    async def body(at: Joint) -> None:
        generator, world = at.generator, at.bench.world
        await generator.prepare()
        found = await generator.set_burst(0.12349, 440.0, 7)
        assert 0.12349 - LEVEL_STEP_VRMS <= found.level_vrms <= 0.12349
        assert (found.frequency_hz, found.cycles) == (440.0, 7)
        await generator.output(True)
        assert world.tone_at(at.clock.now_ns()) is None
        await generator.fire()
        assert world.tone_at(at.clock.now_ns()) is not None
        await at.clock.sleep(0.1)
        (burst,) = at.bursts
        assert burst.emf_vrms <= 0.12349 * (1 + 1e-9)
        assert burst.emf_vrms == pytest.approx(found.level_vrms, rel=1e-3)
        assert (burst.frequency_hz, burst.cycles, burst.cut) == (pytest.approx(440.0), 7, False)
        await generator.output(False)
        await generator.set_burst(1.0, 1000.0, 20)
        await generator.output(True)
        await generator.fire()
        await at.clock.sleep(0.1)
        assert at.bursts[-1].emf_vrms == pytest.approx(1.0, rel=1e-3)
        assert at.bursts[-1].emf_vrms <= 1.0 + 1e-9
        assert at.errors == []

    joint(body, generator=front)


@pytest.mark.parametrize("front", GENERATORS)
def test_generator_says_when_it_did_not_fire_and_is_silenced_within_a_burst(front: str) -> None:
    async def body(at: Joint) -> None:
        generator = at.generator
        await generator.prepare()
        await generator.set_burst(0.1, 1000.0, 1000)
        await generator.output(True)
        await generator.fire()
        with pytest.raises(SettingRefused):
            await generator.fire()
        await generator.make_safe()
        assert at.bench.world.tone_at(at.clock.now_ns()) is None
        (burst,) = at.bursts
        assert burst.cut
        await generator.output(True)
        await at.clock.sleep(0.5)
        assert at.bench.world.tone_at(at.clock.now_ns()) is None
        assert len(at.bursts) == 1

    joint(body, generator=front)


# By the pages, in Vrms into a high impedance: 0.1 mV rms, 1 mV peak to peak, a crest of 0.5 mV.
LEAST_VRMS = {"generator-a": 1e-4, "generator-b": 1e-3 / math.sqrt(8.0), "generator-c": 5e-4 / math.sqrt(2.0)}


@pytest.mark.parametrize("front", GENERATORS)
def test_the_least_level_it_tells_of_can_be_fired(front: str) -> None:
    """A record of silence is triggered by it."""

    async def body(at: Joint) -> None:
        generator = at.generator
        await generator.prepare()
        found = await generator.set_burst(generator.smallest_vrms, 1000.0, 1)
        assert found.level_vrms == pytest.approx(LEAST_VRMS[front], rel=1e-9)
        await generator.output(True)
        await generator.fire()
        await at.clock.sleep(0.1)
        (burst,) = at.bursts
        assert burst.emf_vrms == pytest.approx(LEAST_VRMS[front], rel=1e-9)
        with pytest.raises(CeilingPassed, match="least level"):
            await generator.set_burst(0.9 * LEAST_VRMS[front], 1000.0, 1)
        assert at.errors == []

    joint(body, generator=front)


# By the pages: bursts off, as by a hand at its keys.
BURSTS_OFF = {"generator-a": "SOUR1:BURS:STAT OFF", "generator-b": "BM:STAT OFF", "generator-c": "A:BURST STATE,OFF"}


@pytest.mark.parametrize("front", GENERATORS)
def test_bursts_switched_off_at_its_keys_are_noticed_with_the_next_burst(front: str) -> None:
    """Pages: off with the output on is a continuous tone; of c, switched on again they repeat by themselves."""

    async def body(at: Joint) -> None:
        generator = at.generator
        await generator.prepare()
        await generator.set_burst(0.1, 1000.0, 20)
        await generator.output(True)
        at.bench.panels["generator"].execute(BURSTS_OFF[front], at.clock.now_ns())
        assert at.bench.world.tone_at(at.clock.now_ns()) is not None
        with pytest.raises(SettingRefused):
            await generator.set_burst(0.2, 1000.0, 20)
        with pytest.raises(SettingRefused, match="no burst is set"):
            await generator.fire()

    joint(body, generator=front)


@pytest.mark.parametrize("front", LOAD_SWITCHES)
def test_contacts_follow_what_the_role_says_and_are_quiet_when_it_returns(front: str) -> None:
    """Pages: contact 15 ms after its coil, bounce over after 25 ms; what is not named stays."""

    async def body(at: Joint) -> None:
        switch, world = at.load_switch, at.bench.world
        await switch.prepare()
        begun_ns = at.clock.now_ns()
        await switch.close(["101", "203"])
        assert at.clock.now_ns() - begun_ns >= 25_000_000
        assert world.contacts(at.clock.now_ns()) == {"101", "203"}
        await switch.close(["116", "232"])
        assert world.contacts(at.clock.now_ns()) == {"101", "116", "203", "232"}
        assert await switch.states(["203", "102", "101"]) == {"203": True, "102": False, "101": True}
        await switch.open(["203", "116"])
        assert world.contacts(at.clock.now_ns()) == {"101", "232"}
        await switch.make_safe()
        assert world.contacts(at.clock.now_ns()) == {"101", "232"}
        await switch.open_all()
        assert world.contacts(at.clock.now_ns()) == frozenset()
        assert at.errors == []

    joint(body, load_switch=front)


@pytest.mark.parametrize("front", LOAD_SWITCHES)
def test_a_link_that_was_reopened_finds_the_contacts_as_they_are(front: str) -> None:
    """Prepared anew, it moves nothing, and what it closes comes to those that are closed already."""

    async def body(at: Joint) -> None:
        switch, world = at.load_switch, at.bench.world
        await switch.prepare()
        await switch.close(["101"])
        await switch.prepare()
        assert world.contacts(at.clock.now_ns()) == {"101"}
        await switch.close(["201"])
        assert world.contacts(at.clock.now_ns()) == {"101", "201"}

    joint(body, load_switch=front)


@pytest.mark.parametrize("front", THERMOMETERS)
def test_degrees_are_those_of_the_heat_sink_and_an_open_input_is_no_number(front: str) -> None:
    """Heated by its own idle power for 20 s; shown in tenths at worst (pages). Taken for another kind of sensor it
    would be wrong by degrees."""

    async def body(at: Joint) -> None:
        await at.energise()
        cold = await at.thermometer.read(["301"])
        await at.clock.sleep(20.0)
        warm = await at.thermometer.read(["301"])
        assert warm["301"] == pytest.approx(at.bench.world.temperature_c("301", at.clock.now_ns()), abs=0.12)
        assert warm["301"] > cold["301"] + 5.0
        with pytest.raises(NotANumber):
            await at.thermometer.read(["301", "308"])
        assert await at.thermometer.read(["301"]) == {"301": pytest.approx(warm["301"], abs=0.5)}
        assert at.errors == []

    joint(body, thermometer=front)


@pytest.mark.parametrize("front", METERS)
def test_the_meter_reads_the_rms_of_the_tone_it_hangs_on(front: str) -> None:
    """Level x 10 x the input's divider, in rms, whatever DC stands beside it; beyond the range it is no number."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.meter.prepare()
        await at.load_switch.close(METER_CONTACTS)
        assert await at.meter.set_range(6.0) >= 6.0
        burst = await at.generator.set_burst(0.5, 1000.0, 1500)
        await at.generator.fire()
        read = await at.meter.read()
        assert read.vrms == pytest.approx(10.0 * burst.level_vrms * AT_INPUT, rel=1e-4)
        await at.clock.sleep(1.0)
        assert 1.0 <= await at.meter.set_range(1.0) <= 3.0
        await at.generator.fire()
        with pytest.raises(NotANumber):
            await at.meter.read()
        assert at.errors == []

    joint(body, meter=front)


def test_another_output_selected_at_its_keys_takes_none_of_its_commands() -> None:
    """Page of supply-c: commands speak to the output that is selected. 24 V and 20 V less a few amperes through 10
    milliohm; off, the rail bleeds."""

    async def body(at: Joint) -> None:
        await at.energise()

        def other() -> None:
            at.bench.panels["supply"].execute("INST:NSEL 2", at.clock.now_ns())

        other()
        assert (await at.supply.read()).volts == pytest.approx(24.0, abs=0.1)
        other()
        await at.supply.set(20.0, 20.0)
        await at.clock.sleep(3.0)
        now_ns = at.clock.now_ns()
        assert at.bench.world.supply_means(now_ns - 1_000_000, now_ns).volts == pytest.approx(20.0, abs=0.1)
        other()
        await at.supply.make_safe()
        await at.clock.sleep(10.0)
        now_ns = at.clock.now_ns()
        assert at.bench.world.supply_means(now_ns - 1_000_000, now_ns).volts < 0.1
        assert at.errors == []

    joint(body, supply="supply-c")
