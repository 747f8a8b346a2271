"""An instrument that restarts and keeps its link says nothing of it: what it reads must not pass for what it was."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any, cast

import pytest

from drivers.dialect import load_any
from drivers.roles.capture import Capture
from sequencer.measurements.requests import Fire
from sequencer.night.hands import Hands
from sequencer.night.shot import Shooter
from sequencer.plan.window import ShotWindow
from simulators.panels.front import Front
from tests.wire.contract_bench import METER_CONTACTS, Joint, joint

A_FIFTH = 0.2  # pages of thermometer-b and -c: a wrong kind reads so much of what lies above 25 degrees C wrong
READS = ("READ?", "INIT", "VAL?")  # what begins a reading, by the pages of meter-a, -b, -c


def greetings(at: Joint, front: str) -> int:
    """How often the front was asked who it is: once a connection."""
    return [message for who, message, _ in at.said if who == front].count(load_any(front).greeting().identity_ask)


@pytest.mark.parametrize("front", ["thermometer-a", "thermometer-b", "thermometer-c"])
def test_a_thermometer_that_restarts_between_two_readings_reads_right(front: str) -> None:
    """A heat sink above 45 degrees C is read before and after: another kind of sensor, or Fahrenheit, would be 4 K and
    more away."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.clock.sleep(60.0)
        before = (await at.thermometer.read(["301"]))["301"]
        at.bench.panels["thermometer"].restart(at.clock.now_ns())
        after = (await at.thermometer.read(["301"]))["301"]
        assert greetings(at, front) == 1
        assert A_FIFTH * (before - 25.0) > 4.0
        assert after == pytest.approx(before, abs=1.0)

    joint(body, thermometer=front)


def restart_at_reading(at: Joint, panel: Front) -> None:
    """Once, right before it begins a reading."""
    execute, done = panel.execute, []

    def once(message: str, now_ns: int) -> Any:
        if message in READS and not done:
            done.append(now_ns)
            panel.restart(now_ns)
        return execute(message, now_ns)

    panel.execute = once  # type: ignore[method-assign]


@pytest.mark.parametrize("front", ["meter-a", "meter-b", "meter-c"])
@pytest.mark.parametrize("within_the_tone", [False, True])
def test_a_meter_that_restarts_gives_the_right_volts_or_none(front: str, within_the_tone: bool) -> None:
    """0.5 Vrms and 20 dB are 5 Vrms about 3.25 V of offset, and 3.25 V is what a meter of means would say. Restarted
    before its range is set all is set again; restarted within the tone it gives no number, and the next is right."""

    def capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
        return Capture(volts, window.sample_rate_hz, window.samples, window.before_s)

    async def body(at: Joint) -> None:
        await at.energise()
        await at.load_switch.close(METER_CONTACTS)
        await at.meter.prepare()
        hands = SimpleNamespace(
            generator=at.generator, digitiser=at.digitiser, supply=at.supply, meter=at.meter, by_hand=frozenset()
        )
        shooter = Shooter(cast(Hands, cast(Any, hands)), at.clock, 12, capture_of)
        tone = Fire(0.5, 1000.0, 1500, {"ch1": 20.0}, "check", last_s=0.2, meter_vrms=5.0)
        window = ShotWindow(1e5, 20_000, 0.0005, 0.0)
        panel = at.bench.panels["meter"]
        if within_the_tone:
            restart_at_reading(at, panel)
            assert (await shooter.fire(tone, window)).metered is None
            await at.clock.sleep(2.0)
        else:
            panel.restart(at.clock.now_ns())
        metered = (await shooter.fire(tone, window)).metered
        assert metered is not None
        assert metered.vrms == pytest.approx(5.0, rel=0.01)
        assert within_the_tone or greetings(at, front) == 1

    joint(body, meter=front)
