"""Dialects against panels: everything a role can do, over real sockets, held against the truth of the simulated world.

Both sides were written from simulators/panels/MANUALS.md, neither from the other; expected texts are that page's.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.errors import CeilingPassed, LinkTimeout, NotANumber, NotFinished, SettingRefused
from drivers.roles.capture import Capture, RawTrace
from simulators.panels.supply_a import SupplyA
from simulators.panels.supply_b import SupplyB
from simulators.panels.supply_c import SupplyC
from tests.wire.contract_bench import (
    BAY_CONTACTS,
    IDLE_A,
    INPUT_OHM,
    METER_CONTACTS,
    OFFSET_V,
    SOURCE_OHM,
    WIRES,
    Joint,
    described,
    joint,
)

DIGITISERS = described("digitiser-a", "digitiser-b", "digitiser-c")
SUPPLIES = described("supply-a", "supply-b", "supply-c")
LEVEL_VRMS, FREQUENCY_HZ, CYCLES = 0.5, 1000.0, 20
AT_INPUT = INPUT_OHM / (INPUT_OHM + 50.0)  # the generator's 50 ohm into the unit's input, a divider


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


# digitiser-a, digitiser-b


def volts(trace: RawTrace) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    found: np.ndarray[tuple[int], np.dtype[np.float64]] = trace.volts_at_zero + trace.codes * trace.volts_per_code
    return found


async def shot(at: Joint, capture: Capture) -> dict[int, RawTrace]:
    """One burst, captured and fetched."""
    await at.digitiser.set_capture(capture)
    await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
    await at.digitiser.arm()
    await at.generator.fire()
    await at.digitiser.wait_complete(1.0)
    return {number: await at.digitiser.fetch(number) for number in capture.full_scale_v}


def _agree(at: Joint, traces: dict[int, RawTrace], trigger_ns: int, part: float) -> bool:
    """All samples, but those within 2 samples of the burst's ends, if the clock ran `part` of a sample late."""
    for number, trace in traces.items():
        t_s = trace.start_s + (np.arange(trace.codes.size) + part) * trace.sample_interval_s
        true_v = at.bench.world.wires([WIRES[number]], trigger_ns, t_s)[WIRES[number]][0]
        steepest_v = 10 * LEVEL_VRMS * math.sqrt(2.0) * 2 * math.pi * FREQUENCY_HZ * 0.0025 * trace.sample_interval_s
        half_step_v = 0.5 * trace.converter_step_codes * trace.volts_per_code
        inside = np.abs(t_s) > 2 * trace.sample_interval_s
        inside &= np.abs(t_s - CYCLES / FREQUENCY_HZ) > 2 * trace.sample_interval_s
        if np.max(np.abs(volts(trace) - true_v)[inside]) > half_step_v * (1 + 1e-6) + steepest_v:
            return False
    return True


CAPTURE = Capture({1: 20.0, 2: 30.0, 3: 1.0}, 1e6, 25_000, 0.001)


@pytest.mark.parametrize("front", DIGITISERS)
def test_samples_are_the_volts_of_the_wires(front: str) -> None:
    """Every sample lies within half a step of the converter of the volts the world has on that wire at its time. When
    the trigger came between two samples is not told: one fraction of a sample must serve all samples of all inputs.

    And by numbers that need no world: the DC before the burst is the unit's offset, the burst at the unit's input has
    the level set times the divider of 50 ohm and the input.
    """

    async def body(at: Joint) -> None:
        await at.energise()
        traces = await shot(at, CAPTURE)
        trigger_ns = at.bursts[-1].start_ns
        assert any(_agree(at, traces, trigger_ns, part) for part in np.arange(0.0, 1.0, 0.005))
        assert not any(trace.overloaded for trace in traces.values())
        before = traces[1].start_s + np.arange(traces[1].codes.size) * traces[1].sample_interval_s < -2e-6
        half_step_v = 0.5 * traces[1].converter_step_codes * traces[1].volts_per_code
        assert np.mean(volts(traces[1])[before]) == pytest.approx(OFFSET_V, abs=half_step_v)
        at_input = volts(traces[3])
        first = round(-traces[3].start_s / traces[3].sample_interval_s)
        burst = at_input[first : first + round(CYCLES / FREQUENCY_HZ / traces[3].sample_interval_s)]
        assert np.sqrt(np.mean(burst**2)) == pytest.approx(LEVEL_VRMS * AT_INPUT, rel=1e-4)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "rate_hz", "samples", "full_scale_v"),
    [
        ("digitiser-a", 5e5, 20_100, {1: 40.0, 3: 0.4}),
        ("digitiser-b", 1e6, 20_050, {1: 25.0, 3: 0.5}),
        ("digitiser-c", 1e6, 20_050, {1: 25.6, 3: 0.512}),
    ],
)
def test_a_capture_is_told_as_the_instrument_rounds_it(
    front: str, rate_hz: float, samples: int, full_scale_v: dict[int, float]
) -> None:
    """Pages: a rounds 7e5 Hz down to 5e5 and samples up to hundreds, 8 divisions; b and c round up to 1e6, 10 and 10.24
    divisions.

    Ranges 1-2-5 a division, up: 21 V at 10:1 is 2.1 V: a 1 V x 4, b 0.5 V x 5, c 0.5 V x 5.12, times ten; 0.3 V: 0.1 x
    4, 0.1 x 5, 0.1 x 5.12.
    """

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        found = await at.digitiser.set_capture(Capture({1: 21.0, 3: 0.3}, 7e5, 20_050, 0.001))
        assert (1 / found.sample_interval_s, found.samples) == (pytest.approx(rate_hz), samples)
        assert found.full_scale_v == pytest.approx(full_scale_v)
        assert found.before_s == pytest.approx(0.001, rel=1e-4)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", DIGITISERS)
def test_more_than_fits_is_called_overloaded_on_either_side(front: str) -> None:
    """A range of 2 V under an offset of 3.25 V; end codes by the pages."""

    async def body(at: Joint) -> None:
        await at.energise()
        traces = await shot(at, Capture({1: 2.0, 3: 1.0}, 1e6, 25_000, 0.001))
        assert traces[1].overloaded
        assert not traces[3].overloaded

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "error"), [("digitiser-a", NotFinished), ("digitiser-b", LinkTimeout), ("digitiser-c", NotFinished)]
)
def test_a_capture_without_a_trigger_ends_by_name_and_the_next_is_right(front: str, error: type[Exception]) -> None:
    """Page of b: the blocked query never answers; a new connection frees it, and then it must be prepared again."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.digitiser.set_capture(CAPTURE)
        await at.digitiser.arm()
        with pytest.raises(error):
            await at.digitiser.wait_complete(0.5)
        if error is LinkTimeout:
            with pytest.raises(SettingRefused):
                await at.digitiser.arm()
        await at.digitiser.prepare()
        traces = await shot(at, CAPTURE)
        assert np.max(volts(traces[1])) == pytest.approx(
            OFFSET_V + 10 * LEVEL_VRMS * AT_INPUT * math.sqrt(2.0), abs=0.02
        )
        assert len(at.bursts) == 1

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "state", "rest"),
    [("digitiser-a", ":TRIG:STAT?", "STOP"), ("digitiser-b", "TRIG:STATE?", "SAVE"), ("digitiser-c", "MODE?", "STOP")],
)
def test_an_armed_digitiser_is_brought_to_rest(front: str, state: str, rest: str) -> None:
    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        await at.digitiser.set_capture(CAPTURE)
        await at.digitiser.arm()
        assert at.asks("digitiser", state) != rest
        await at.digitiser.make_safe()
        await at.clock.sleep(0.01)
        assert at.asks("digitiser", state) == rest
        with pytest.raises(SettingRefused, match="not armed"):
            await at.digitiser.wait_complete(0.5)
        with pytest.raises(SettingRefused, match="not captured"):
            await at.digitiser.fetch(4)

    joint(body, digitiser=front)


# supply-a, supply-b


@pytest.mark.parametrize("front", SUPPLIES)
def test_supply_gives_and_reads_what_is_there(front: str) -> None:
    """24 V less 1.25 A through 10 milliohm: Ohm's law. Off: the terminals bleed, and the reading follows them."""

    async def body(at: Joint) -> None:
        await at.prepare()
        assert at.bench.world.supply_means(0, at.clock.now_ns()).volts == 0.0
        with pytest.raises(SettingRefused, match="volts were not set"):
            await at.supply.output(True)
        await at.load_switch.close(BAY_CONTACTS)  # no load: the offset draws nothing, the idle current is all
        await at.supply.set(24.0, 20.0)
        await at.supply.output(True)
        await at.clock.sleep(1.0)
        await at.supply.status()
        read, status = await at.supply.read(), await at.supply.status()
        assert read.volts == pytest.approx(24.0 - IDLE_A * SOURCE_OHM, abs=0.001)
        assert read.amps == pytest.approx(IDLE_A, abs=0.001)
        assert (status.in_current_limit, status.limited_since_last, status.tripped) == (False, False, None)
        await at.supply.make_safe()
        off_ns = at.clock.now_ns()
        await at.clock.sleep(1.0)
        read = await at.supply.read()
        # Windows of 20 and 50 ms on a decay of 1.2 s; page of c: 100 ms, and amps are asked for after volts.
        to_ns = at.clock.now_ns() - (112_000_000 if front == "supply-c" else 0)
        true = at.bench.world.supply_means(to_ns - 50_000_000, to_ns)
        assert read.volts == pytest.approx(true.volts, rel=0.06)
        assert read.volts == pytest.approx(24.0 * math.exp(-(to_ns - off_ns) * 1e-9 / 1.2), rel=0.06)
        assert abs(read.amps) < 0.001
        assert at.errors == []

    joint(body, supply=front)


@pytest.mark.parametrize("front", SUPPLIES)
def test_a_real_current_limit_is_seen_now_and_afterwards(front: str) -> None:
    """The unit's idle current of 1.25 A against a limit of 0.5 A, then of 20 A: live sign, latched sign, none."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.supply.status()
        await at.supply.set(24.0, 0.5)
        await at.clock.sleep(0.2)
        during = await at.supply.status()
        assert (during.in_current_limit, during.limited_since_last, during.tripped) == (True, True, None)
        read = await at.supply.read()
        assert read.amps == pytest.approx(0.5, abs=0.001)
        assert read.volts < 24.0 / 2
        await at.supply.status()
        await at.supply.set(24.0, 20.0)
        await at.clock.sleep(1.0)
        await at.supply.status()
        after = await at.supply.status()
        assert (after.in_current_limit, after.limited_since_last, after.tripped) == (False, False, None)

    joint(body, supply=front)


@pytest.mark.parametrize("front", SUPPLIES)
def test_a_short_limit_between_two_questions_is_still_told(front: str) -> None:
    """It begins and ends unseen: only the latched sign can tell."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.supply.status()
        await at.clock.sleep(0.1)
        world = at.bench.world
        world.set_supply(at.clock.now_ns(), 24.0, 0.5, True)  # as by a hand on its knob
        await at.clock.sleep(0.05)
        world.set_supply(at.clock.now_ns(), 24.0, 20.0, True)
        await at.clock.sleep(0.5)
        status = await at.supply.status()
        assert (status.in_current_limit, status.limited_since_last) == (False, True)
        status = await at.supply.status()
        assert (status.in_current_limit, status.limited_since_last) == (False, False)

    joint(body, supply=front)


@pytest.mark.parametrize("front", SUPPLIES)
@pytest.mark.parametrize(
    ("why", "named"), [("over-voltage", "over_voltage"), ("over-current", "over_current"), ("too hot", "too_hot")]
)
def test_each_trip_is_named_stands_and_is_cleared_by_hand_only(front: str, why: str, named: str) -> None:
    """The bits lie elsewhere on each page: over-voltage is bit 9 of one and bit 0 of the other."""

    async def body(at: Joint) -> None:
        await at.energise()
        panel = at.bench.panels["supply"]
        assert isinstance(panel, SupplyA | SupplyB | SupplyC)
        panel.trip(at.clock.now_ns(), why)  # type: ignore[arg-type]
        assert (await at.supply.status()).tripped == named
        await at.clock.sleep(10.0)
        assert at.bench.world.supply_means(at.clock.now_ns() - 1_000_000, at.clock.now_ns()).volts < 0.1
        assert (await at.supply.status()).tripped == named
        with pytest.raises(SettingRefused):
            await at.supply.output(True)
        with pytest.raises(SettingRefused, match=f"{named} trip stands"):
            await at.supply.prepare()
        await at.supply.clear_trip()
        await at.supply.prepare()
        assert (await at.supply.status()).tripped is None
        await at.supply.set(24.0, 20.0)
        await at.supply.output(True)
        assert at.bench.world.supply_means(at.clock.now_ns() - 1_000_000, at.clock.now_ns()).volts > 20.0

    joint(body, supply=front)


@pytest.mark.parametrize("front", SUPPLIES)
def test_supply_ceilings_hold_before_anything_is_sent(front: str) -> None:
    async def body(at: Joint) -> None:
        await at.supply.prepare()
        said = len(at.said)
        for volts_, limit_a in ((31.3, 10.0), (24.0, 35.1), (-1.0, 10.0), (math.nan, 10.0)):
            with pytest.raises(CeilingPassed):
                await at.supply.set(volts_, limit_a)
        assert len(at.said) == said

    joint(body, supply=front)


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


@pytest.mark.parametrize("front", SUPPLIES)
def test_one_order_to_make_safe_leaves_nothing_on(front: str) -> None:
    """In the middle of a long burst: signal ended, supply off, loads open once the rail is down, all by the world."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.generator.set_burst(0.1, 1000.0, 2000)
        await at.generator.fire()
        await at.generator.make_safe()
        await at.supply.make_safe()
        assert at.bursts[-1].cut
        await at.clock.sleep(5.0)
        await at.load_switch.open_all()
        await at.digitiser.make_safe()
        await at.thermometer.make_safe()
        world, now_ns = at.bench.world, at.clock.now_ns()
        assert world.tone_at(now_ns) is None
        assert world.supply_means(now_ns - 1_000_000, now_ns).volts < 2.0
        assert world.contacts(now_ns) == frozenset()
        assert at.errors == []

    joint(body, supply=front)
