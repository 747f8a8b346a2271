"""Supplies against their panels: what they give, limit and trip at, over real sockets."""

from __future__ import annotations

import math

import pytest

from drivers.errors import CeilingPassed, SettingRefused
from simulators.panels.supply_a import SupplyA
from simulators.panels.supply_b import SupplyB
from simulators.panels.supply_c import SupplyC
from tests.wire.contract_bench import (
    BAY_CONTACTS,
    IDLE_A,
    SOURCE_OHM,
    Joint,
    described,
    joint,
)

SUPPLIES = described("supply-a", "supply-b", "supply-c")


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
