"""A bench proved with no unit on it: every shipped one raises nothing, and each planted flaw is named by its step."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import pytest

from sequencer.clock import VirtualClock, run_virtual
from sequencer.compose import Rig, simulated_bench
from sequencer.faults_file import DeclaredBarrierFault
from sequencer.night.asking import nobody_there
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench
from sequencer.proving.prove import MADE_SAFE, prove, was_made_safe
from sequencer.proving.record import ProofStep
from sequencer.roles import build, load_dialects
from sequencer.simulating import Standing
from simulators.bench import SimulatedBench
from tests.wire.bench_flaws import Flaw, Says, Warming, as_it_is, told, with_loop
from tests.wire.bench_flaws_table import BARRIERS, FLAWS

pytestmark = pytest.mark.long

SHIPPED = (
    "workshop",
    "second_workshop",
    "by_hand",
    "inputs_apart",
    "line_workshop",
    "meter_workshop",
    "ferry_workshop",
)
Steps = tuple[ProofStep, ...]


def proved(
    flaw: Flaw, rig: Rig | None = None, *, connected: bool = True, somebody: bool = True, stands: Says = as_it_is
) -> Steps:
    """The steps of a proof in simulated time. connected: as a person connects it for the proof. stands: what is there,
    and said to be there, in place of what ships."""
    shipped = told(load_bench(flaw.bench), stands)
    truth = told(shipped, with_loop) if connected else shipped
    file = told(truth, flaw.says)
    dialects = load_dialects(truth)
    benches: list[SimulatedBench] = []

    def watch(bench: SimulatedBench) -> None:
        benches.append(bench)
        flaw.plant(bench)

    async def main(clock: VirtualClock) -> Steps:
        laid = replace(rig or Rig(), faults=flaw.links, watch=watch)
        simulated = simulated_bench(Standing(truth, ()), 1, dialects, clock, laid)
        addresses = await simulated.start()
        instruments = build(file.model, dialects, addresses, clock)
        asking = Warming(simulated) if somebody else nobody_there
        try:
            return await prove(file.model, instruments, dialects, clock, lambda line: None, asking)
        finally:
            await instruments.close()
            await simulated.stop()

    steps = run_virtual(main)
    (bench,) = benches
    end_ns = bench.now_ns()
    assert bench.world.tone_at(end_ns) is None
    left_v = bench.world.supply_means(end_ns - 1_000_000, end_ns).volts
    assert abs(left_v) < 2.0 or not was_made_safe(steps)
    return steps


def failures(steps: Steps) -> list[ProofStep]:
    return [one for one in steps if one.outcome == "failed"]


@pytest.mark.parametrize("bench", SHIPPED)
def test_a_healthy_bench_raises_nothing(bench: str) -> None:
    steps = proved(Flaw("none", "", (), bench=bench), connected=False, somebody=False)
    assert failures(steps) == []
    assert was_made_safe(steps)
    assert {one.outcome for one in steps} == {"held", "not seen"}
    assert all(one.sentence for one in steps)
    assert all(one.next_action == "" for one in steps)


@pytest.mark.parametrize("bench", ["workshop", "second_workshop", "by_hand", "line_workshop", "ferry_workshop"])
def test_a_healthy_bench_with_its_loop_holds(bench: str) -> None:
    steps = proved(Flaw("none", "", (), bench=bench))
    assert failures(steps) == []
    held = {one.name for one in steps if one.outcome == "held"}
    assert held >= {"identity", "replies", "settings", "done", "signal", "frequency", "cycles", "trigger", "level"}
    assert held >= {"direct current", "clean sine", "temperature", MADE_SAFE}
    if bench != "by_hand":
        assert held >= {"volts", "current limit", "places", "off", "over-voltage trip"}


OTHER_RANGES_V = (0.1024, 0.256, 0.512, 1.024, 2.56, 5.12, 10.24, 25.6)  # digitiser-c's, by its page
OTHER_RATES_HZ = (1.25e5, 2.5e5, 5e5, 1e6)


@pytest.mark.parametrize(
    "front", ["generator-b", "generator-c", "digitiser-c", "supply-b", "supply-c", "load-switch-b", "load-switch-c"]
)
def test_a_healthy_instrument_of_another_kind_holds(front: str) -> None:
    role = front[:-2].replace("-", "_")

    def says(bench: Bench) -> Bench:
        one = bench.role[role].model_copy(update={"dialect": front, "identity": ""})  # type: ignore[index]
        found = bench.model_copy(update={"role": {**bench.role, role: one}})
        if front != "digitiser-c":
            return found
        ranges = tuple(bench.range[0].model_copy(update={"full_scale_v": v}) for v in OTHER_RANGES_V)
        depth = bench.digitiser.model_copy(update={"rates_hz": OTHER_RATES_HZ})
        return found.model_copy(update={"range": ranges, "digitiser": depth})

    steps = proved(Flaw("none", "", ()), stands=says)
    assert failures(steps) == []
    assert {one.name for one in steps if one.outcome == "held"} >= {"level", "current limit", "places", "settings"}


@pytest.mark.parametrize("flaw", FLAWS, ids=lambda flaw: flaw.name.replace(" ", "-"))
def test_a_flaw_is_named(flaw: Flaw) -> None:
    steps = proved(flaw)
    mine = [one for one in failures(steps) if one.name == flaw.step and flaw.about in one.about]
    said = [f"{one.name} ({one.about}): {one.sentence}" for one in failures(steps)]
    assert mine, f"{flaw.name}: {said}"
    assert any(all(word in one.sentence for word in flaw.words) for one in mine), f"{flaw.name}: {said}"
    assert all(one.next_action for one in failures(steps))


@pytest.mark.parametrize(("barrier", "step", "words"), BARRIERS)
def test_a_barrier_that_does_not_act_is_named(barrier: DeclaredBarrierFault, step: str, words: str) -> None:
    steps = proved(Flaw("none", "", (), bench="line_workshop"), Rig(barriers=(barrier,)), connected=False)
    assert [words in one.sentence for one in failures(steps) if one.name == step] == [True]


@pytest.mark.parametrize("step", ["settings: supply", "cycles: digitiser ch1", "current limit: supply"])
def test_a_proof_that_is_stopped_leaves_the_bench_safe(step: str) -> None:
    loaded = told(load_bench("workshop"), with_loop)
    dialects = load_dialects(loaded)

    async def main(clock: VirtualClock) -> tuple[bool, float]:
        simulated = simulated_bench(Standing(loaded, ()), 1, dialects, clock, Rig())
        instruments = build(loaded.model, dialects, await simulated.start(), clock)
        heard: list[str] = []

        def say(line: str) -> None:
            heard.append(line)
            if line == step:
                clock_task.cancel()

        clock_task = asyncio.ensure_future(prove(loaded.model, instruments, dialects, clock, say))
        try:
            with pytest.raises(asyncio.CancelledError):
                await clock_task
            assert heard[-1] == step
            end_ns = clock.now_ns()
            volts = simulated.world.supply_means(end_ns - 1_000_000, end_ns).volts
            return simulated.world.tone_at(end_ns) is None, volts
        finally:
            await instruments.close()
            await simulated.stop()

    silent, volts = run_virtual(main)
    assert silent
    assert abs(volts) < 0.1


def test_at_least_forty_flaws_are_planted() -> None:
    assert len({flaw.name for flaw in FLAWS}) == len(FLAWS) >= 40


def test_the_flaws_are_what_makes_them_fail() -> None:
    """Planted with nothing changed, the same ways hold: the tests tell the flaw, not the planting."""
    from tests.wire.bench_flaws import around, contacts_as, fired, supply_fed

    ways: tuple[Callable[[SimulatedBench], None], ...] = (
        fired(lambda one: None),
        supply_fed(lambda one: None),
        contacts_as(lambda closed: closed),
        around("supply", lambda front, message, now_ns, own: own(message, now_ns)),
    )

    def all_of_them(bench: SimulatedBench) -> None:
        for way in ways:
            way(bench)

    assert failures(proved(Flaw("none", "", (), all_of_them))) == []
