"""Make safe: order, going on after a failed act, and what may be called confirmed.

Orders and the rule that loads stay connected until the rail is seen down: common practice, no source (a relay
opened under DC welds; the load bleeds the reservoir).
"""

from __future__ import annotations

from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from types import SimpleNamespace

import pytest

from sequencer.clock import VirtualClock, run_virtual
from sequencer.safety.make_safe import Order, Outputs, OutputsHeard, Report, acts, perform


class FakeClock:
    def __init__(self) -> None:
        self.now_s = 0.0
        self.limits: list[float] = []

    def now_ns(self) -> int:
        return int(self.now_s * 1e9)

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        if self.limits and self.now_s > self.limits[-1]:
            raise TimeoutError

    @asynccontextmanager
    async def deadline(self, seconds: float):  # type: ignore[no-untyped-def]
        self.limits.append(self.now_s + seconds)
        try:
            yield
        finally:
            self.limits.pop()


@dataclass
class FakeBench:
    """volts falls by half each reading; `dead` instruments raise."""

    volts: float = 24.0
    dead: set[str] = field(default_factory=set)
    said: list[str] = field(default_factory=list)

    async def _do(self, who: str, what: str) -> None:
        if who in self.dead:
            raise ConnectionError(f"{who} does not answer")
        self.said.append(what)

    @property
    def generator(self) -> SimpleNamespace:
        return SimpleNamespace(make_safe=lambda: self._do("generator", "signal off"))

    @property
    def supply(self) -> SimpleNamespace:
        async def read() -> SimpleNamespace:
            await self._do("supply", "read")
            self.volts /= 2
            return SimpleNamespace(volts=self.volts, amps=0.0)

        return SimpleNamespace(make_safe=lambda: self._do("supply", "supply off"), read=read)

    @property
    def cut_off(self) -> SimpleNamespace | None:
        return None

    @property
    def load_switch(self) -> SimpleNamespace:
        return SimpleNamespace(reads_back=True, open_all=lambda: self._do("load_switch", "loads open"))


async def test_normal_order_opens_loads_last_and_after_the_rail_is_down() -> None:
    bench = FakeBench()
    report = await perform(acts("normal", bleed_s=10.0), "normal", bench, FakeClock())
    assert bench.said[0] == "signal off"
    assert bench.said[1] == "supply off"
    assert bench.said[-1] == "loads open"
    assert bench.volts < 2.0
    assert report.confirmed


async def test_fault_order_leaves_the_load_connected() -> None:
    bench = FakeBench()
    report = await perform(acts("fault", bleed_s=10.0), "fault", bench, FakeClock())
    assert bench.said[:2] == ["signal off", "supply off"]
    assert "loads open" not in bench.said
    assert report.confirmed


@pytest.mark.parametrize("dead", ["generator", "supply", "load_switch"])
async def test_a_dead_instrument_does_not_end_the_list_and_is_named(dead: str) -> None:
    bench = FakeBench(dead={dead})
    report = await perform(acts("normal", bleed_s=10.0), "normal", bench, FakeClock())
    assert not report.confirmed
    alive = {"generator": "signal off", "supply": "supply off", "load_switch": "loads open"}
    for name, what in alive.items():
        if name not in (dead,) and not (dead == "supply" and name == "load_switch"):
            assert what in bench.said
    assert any(dead in line or "left as they are" in line for line in report.lines)


async def test_loads_are_not_opened_under_a_rail_that_stays_up() -> None:
    class Stuck(FakeBench):
        @property
        def supply(self) -> SimpleNamespace:
            async def read() -> SimpleNamespace:
                return SimpleNamespace(volts=24.0, amps=0.0)

            return SimpleNamespace(make_safe=lambda: self._do("supply", "supply off"), read=read)

    bench = Stuck()
    report = await perform(acts("normal", bleed_s=10.0), "normal", bench, FakeClock())
    assert "loads open" not in bench.said
    assert set(report.unconfirmed) == {"rail down", "loads open"}


async def test_contacts_that_cannot_be_asked_are_told_to_open_and_never_said_to_be_seen() -> None:
    """The bench is confirmed all the same: what energises has been seen off, and the rail down."""

    class Mute(FakeBench):
        @property
        def load_switch(self) -> SimpleNamespace:
            return SimpleNamespace(reads_back=False, open_all=lambda: self._do("load_switch", "loads open"))

    async def remote_off() -> None:
        bench.said.append("remote off")

    bench = Mute()
    report = await perform(acts("normal", bleed_s=10.0, remote=True), "normal", bench, FakeClock(), remote_off)
    assert "remote off" in bench.said
    assert bench.said[-1] == "loads open"
    assert report.confirmed
    assert report.unseen == {"loads open", "remote off"}
    assert [line for line in report.lines if "told to open" in line and "confirmed" in line] == []


@pytest.mark.parametrize("away", ["generator", "supply", "load_switch"])
async def test_an_instrument_that_was_away_for_a_moment_is_told_again(away: str) -> None:
    """Else it would stay energised all night for one refused connection. It comes back after its third failure."""

    @dataclass
    class Back(FakeBench):
        failures: int = 3

        async def _do(self, who: str, what: str) -> None:
            if who == away and self.failures:
                self.failures -= 1
                raise ConnectionError(f"{who} does not answer")
            await super()._do(who, what)

    bench = Back()
    report = await perform(acts("normal", bleed_s=10.0), "normal", bench, FakeClock())
    assert report.confirmed
    assert all(": confirmed, " in line for line in report.lines)  # each with its evidence
    assert {"signal off", "supply off", "loads open"} <= set(bench.said)
    assert bench.volts < 2.0


async def test_trying_again_has_an_end() -> None:
    """A person is needed then: the report says so, and the night does not hang."""
    clock = FakeClock()
    report = await perform(acts("fault", bleed_s=10.0), "fault", FakeBench(dead={"generator", "supply"}), clock)
    assert set(report.unconfirmed) == {"signal off", "supply off", "rail down"}
    assert clock.now_s < 60.0


def test_in_fault_order_a_silent_generator_does_not_delay_the_supply() -> None:
    """On a fault signal and supply go off together (common practice, no source: the rail is what burns)."""
    off_at_s: dict[str, float] = {}

    async def main(clock: VirtualClock) -> Report:
        async def silent() -> None:
            await clock.sleep(60.0)

        async def off() -> None:
            off_at_s.setdefault("supply", clock.now_ns() / 1e9)

        async def read() -> SimpleNamespace:
            return SimpleNamespace(volts=0.0, amps=0.0)

        bench = SimpleNamespace(
            generator=SimpleNamespace(make_safe=silent),
            supply=SimpleNamespace(make_safe=off, read=read),
            load_switch=SimpleNamespace(reads_back=True, open_all=off),
        )
        return await perform(acts("fault", bleed_s=10.0), "fault", bench, clock)

    report = run_virtual(main)
    assert off_at_s["supply"] == 0.0
    assert report.unconfirmed == ["signal off"]


# --- the outputs, looked at once everything is off


async def _made_safe(order: Order, outputs: Outputs, bench: FakeBench) -> tuple[Report, FakeClock]:
    clock = FakeClock()
    return await perform(acts(order, bleed_s=10.0, outputs=True), order, bench, clock, outputs=outputs), clock


@pytest.mark.parametrize("order", ["normal", "fault"])
async def test_the_outputs_are_looked_at_when_the_rail_is_down(order: Order) -> None:
    """Before that they may show what the reservoir still gives; after the contacts have opened they are not there."""
    bench = FakeBench()

    async def look() -> str:
        bench.said.append("look")
        return "output A 0.001 Vrms"

    report, _ = await _made_safe(order, look, bench)
    assert bench.said[-2:] == (["look", "loads open"] if order == "normal" else ["read", "look"])
    assert report.confirmed
    assert "outputs silent: confirmed, output A 0.001 Vrms" in report.lines


@pytest.mark.parametrize("order", ["normal", "fault"])
async def test_outputs_that_are_heard_are_not_safe(order: Order) -> None:
    """Something drives them though all that we know of is off (our own judgement)."""

    async def look() -> str:
        raise OutputsHeard("output A 5 Vrms")

    report, clock = await _made_safe(order, look, FakeBench())
    assert report.missing == ["outputs silent"]
    assert "outputs silent: not confirmed: output A 5 Vrms" in report.lines
    assert clock.now_s > 15.0  # tried again: a coupling capacitor may need a moment


@pytest.mark.parametrize("order", ["normal", "fault"])
async def test_outputs_that_nobody_can_look_at_are_said_and_hold_nothing_up(order: Order) -> None:
    async def look() -> str:
        raise ConnectionError("digitiser: no reply")

    report, clock = await _made_safe(order, look, FakeBench())
    assert report.confirmed
    assert report.unconfirmed == ["outputs silent"]
    assert "outputs silent: not seen: digitiser: no reply" in report.lines
    assert clock.now_s < 5.0  # not tried again


def test_a_look_that_never_returns_costs_a_second() -> None:
    took_s: list[float] = []

    async def main(clock: VirtualClock) -> Report:
        async def off() -> None: ...

        async def read() -> SimpleNamespace:
            return SimpleNamespace(volts=0.0, amps=0.0)

        async def look() -> str:
            await clock.sleep(60.0)
            return ""

        bench = SimpleNamespace(
            generator=SimpleNamespace(make_safe=off),
            supply=SimpleNamespace(make_safe=off, read=read),
            load_switch=SimpleNamespace(reads_back=True, open_all=off),
        )
        report = await perform(acts("fault", bleed_s=10.0, outputs=True), "fault", bench, clock, outputs=look)
        took_s.append(clock.now_ns() / 1e9)
        return report

    report = run_virtual(main)
    assert took_s == [1.0]
    assert report.confirmed
    assert report.unseen == {"outputs silent"}
