"""Single flaws of simulated benches: what is planted, and the step and the words by which a proof must name it.

Each is laid between world and panel, between panel and link, or between the bench file and what stands there. The
factors of level and time are closed forms (peak to peak of a sine 2 sqrt(2) times its rms, 50 ohm into high impedance
twice), degrees by definition of the scales.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from sequencer.measurements.requests import Answer, Ask
from sequencer.plan.inputs import Loaded
from sequencer.plan.models import Bench, Prove
from simulators.bench import SimulatedBench
from simulators.faults import LinkFaults
from simulators.panels.front import Front
from simulators.world.bench_truth import InputTruth

LOOP, DUMMY_OHM = "ch1", 10.0
Says = Callable[[Bench], Bench]
Plant = Callable[[SimulatedBench], None]


def as_it_is(bench: Bench) -> Bench:
    return bench


def nothing(_bench: SimulatedBench) -> None:
    return


@dataclass(frozen=True)
class Flaw:
    """name: of the flaw. step, about, words: of the failed step. says: what the bench file says instead of the truth.
    plant: into the simulated bench, before it starts. links: role -> faults of its link. bench: a shipped one."""

    name: str
    step: str
    words: tuple[str, ...]
    plant: Plant = nothing
    says: Says = as_it_is
    links: dict[str, LinkFaults] = field(default_factory=dict)
    bench: str = "workshop"
    about: str = ""


def with_loop(bench: Bench) -> Bench:
    """As a person connects it: the generator on ch1, a resistor on the supply's lead."""
    supply = {} if "supply" in bench.by_hand else {"dummy_ohm": DUMMY_OHM, "dummy_w": 50.0}
    return bench.model_copy(update={"prove": Prove(loop_input=LOOP, **supply)})


def told(loaded: Loaded[Bench], says: Says) -> Loaded[Bench]:
    return replace(loaded, model=says(loaded.model))


class Warming:
    """A person who warms each sensor that is asked for."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench

    async def __call__(self, ask: Ask) -> Answer:
        name = ask.question.split("input ")[1].split()[0]
        self._bench.world.laid.warmed_k[name] = 6.0
        return Answer(ask.choices[0], by_a_person=True)


# --- the world ----------------------------------------------------------------------------------------


def fired(change: Callable[[dict[str, Any]], None]) -> Plant:
    """The generator's bursts reach the world changed."""

    def plant(bench: SimulatedBench) -> None:
        fire = bench.world.fire

        def changed(now_ns: int, level_vrms: float, frequency_hz: float, cycles: int | None, *rest: Any) -> None:
            names = ("phase_deg", "offset_v", "second")
            one = {"level_vrms": level_vrms, "frequency_hz": frequency_hz, "cycles": cycles}
            one |= dict(zip(names, rest, strict=False))
            change(one)
            fire(now_ns, **one)

        bench.world.fire = changed  # type: ignore[method-assign]

    return plant


def level_times(factor: float) -> Plant:
    return fired(lambda one: one.update(level_vrms=factor * one["level_vrms"]))


def taken_as_dbv(one: dict[str, Any]) -> None:
    one["level_vrms"] = 10.0 ** (one["level_vrms"] / 20.0)


def frequency_times(factor: float) -> Plant:
    return fired(lambda one: one.update(frequency_hz=factor * one["frequency_hz"]))


def cycles_more(more: int) -> Plant:
    return fired(lambda one: one.update(cycles=max(1, one["cycles"] + more)))


def offset_more(volts: float) -> Plant:
    """In the tone and at rest."""

    def plant(bench: SimulatedBench) -> None:
        fired(lambda one: one.update(offset_v=one.get("offset_v", 0.0) + volts))(bench)
        idle, rest = bench.world.set_idle_emf, bench.world.rest
        bench.world.set_idle_emf = lambda now_ns, emf_v: idle(now_ns, emf_v + volts)  # type: ignore[method-assign]
        bench.world.rest = lambda now_ns, emf_v=0.0: rest(now_ns, emf_v + volts)  # type: ignore[method-assign]

    return plant


def trigger_later(*later_ns: int) -> Plant:
    """Each burst's trigger by one of these, in turn."""

    def plant(bench: SimulatedBench) -> None:
        fire, triggers, count = bench.world.fire, bench.world.triggers, [0]

        def changed(now_ns: int, *given: Any) -> None:
            fire(now_ns, *given)
            triggers[-1] += later_ns[count[0] % len(later_ns)]
            count[0] += 1

        bench.world.fire = changed  # type: ignore[method-assign]

    return plant


def probe_on(number: int) -> Plant:
    """The loop's lead on another input."""
    return lambda bench: (bench.world.probes.clear(), bench.world.probes.update({number: "input"}))[0]


def converter(**changes: Any) -> Plant:
    """Of the digitiser, its truth."""

    def plant(bench: SimulatedBench) -> None:
        front: Any = bench.panels["digitiser"]
        converters = front._memory._converters
        converters._truth = replace(converters._truth, **changes)

    return plant


def input_truth(**changes: Any) -> Plant:
    """Of the loop's input."""

    def plant(bench: SimulatedBench) -> None:
        front: Any = bench.panels["digitiser"]
        truth = front._memory._converters._truth
        one = replace(truth.inputs.get(1, InputTruth()), **changes)
        converter(inputs={**truth.inputs, 1: one})(bench)

    return plant


def supply_fed(change: Callable[[dict[str, Any]], None]) -> Plant:
    """What the supply sets reaches the world changed."""

    def plant(bench: SimulatedBench) -> None:
        fed = bench.world.set_supply

        def changed(now_ns: int, volts: float, limit_a: float, on: bool) -> None:
            one = {"volts": volts, "limit_a": limit_a, "on": on}
            change(one)
            fed(now_ns, **one)

        bench.world.set_supply = changed  # type: ignore[method-assign]

    return plant


def stays_on() -> Plant:
    """Once on, its output stays on, at the volts it had."""
    last: dict[str, Any] = {}

    def change(one: dict[str, Any]) -> None:
        if one["on"] and one["volts"] > 0:
            last.update(one)
        elif last:
            one.update(last)

    return supply_fed(change)


def sense_open(bench: SimulatedBench) -> None:
    supply = replace(bench.world.bench.supply, sense="open")
    bench.world.bench = replace(bench.world.bench, supply=supply)


def contacts_as(change: Callable[[frozenset[str]], frozenset[str]]) -> Plant:
    """Coils move other contacts than their own."""

    def plant(bench: SimulatedBench) -> None:
        moved = bench.world.set_coils
        bench.world.set_coils = lambda now_ns, closed: moved(now_ns, change(closed))  # type: ignore[method-assign]

    return plant


def drawn_through(contact: str, ohm: float) -> Plant:
    """Once a contact is closed, so much hangs on the lead as well."""

    def plant(bench: SimulatedBench) -> None:
        moved, declared_ohm = bench.world.set_coils, bench.world.laid.dummy_ohm
        together_ohm = 1.0 / (1.0 / ohm + 1.0 / declared_ohm)

        def changed(now_ns: int, closed: frozenset[str]) -> None:
            bench.world.laid.dummy_ohm = together_ohm if contact in closed else declared_ohm
            moved(now_ns, closed)

        bench.world.set_coils = changed  # type: ignore[method-assign]

    return plant


def exchanged(one: str, other: str) -> Callable[[frozenset[str]], frozenset[str]]:
    pair = {one: other, other: one}
    return lambda closed: frozenset(pair.get(name, name) for name in closed)


# --- the panel ----------------------------------------------------------------------------------------

Around = Callable[[Front, str, int, Callable[[str, int], Any]], Any]


def around(role: str, execute: Around) -> Plant:
    """Each message of a panel, carried out otherwise. execute(front, message, now_ns, as it would be)."""

    def plant(bench: SimulatedBench) -> None:
        front, own = bench.panels[role], bench.panels[role].execute
        front.execute = lambda message, now_ns: execute(front, message, now_ns, own)  # type: ignore[method-assign]

    return plant


def refuses(role: str, begins: str, number: int) -> Plant:
    """A setting is refused with an error."""

    def execute(front: Front, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
        if message.startswith(begins) and "?" not in message:
            front._queue(number)
            return None
        return own(message, now_ns)

    return around(role, execute)


def ignores(role: str, message: str) -> Plant:
    return around(role, lambda front, m, now_ns, own: None if m == message else own(m, now_ns))


def late_replies(role: str, first: int) -> Plant:
    """From the question `first` on each reply is that of the question before."""
    kept: list[bytes] = []
    count = [0]

    def execute(_front: Front, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
        reply = own(message, now_ns)
        if not isinstance(reply, bytes):
            return reply
        count[0] += 1
        kept.append(reply)
        return reply if count[0] < first else kept[-2]

    return around(role, execute)


def restarts(role: str, at_message: int) -> Plant:
    """As after its mains switch, its link staying open."""
    count = [0]

    def execute(front: Front, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
        count[0] += 1
        if count[0] == at_message:
            front.restart(now_ns)
        return own(message, now_ns)

    return around(role, execute)


def coupled_ac(front: Any, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
    """It reads back DC, and captures AC."""
    before = front._channels
    if message.endswith("SING"):
        front._channels = {n: replace(c, coupling="AC") for n, c in before.items()}
    reply = own(message, now_ns)
    if message.endswith("SING"):
        front._channels = before
    return reply


def no_over_voltage(front: Any, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
    """The trip is told, and never acts."""
    trip_v = front._trip_v
    if message.startswith("VOLT "):
        front._trip_v = math.inf
        own(message, now_ns)
        front._trip_v = trip_v
        return None
    return own(message, now_ns)


def reads_its_setting() -> Plant:
    """Volts are answered as they were set, whatever is at the terminals."""
    last = [0.0]

    def execute(_front: Front, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
        if message.startswith("VOLT "):
            last[0] = float(message.split()[1])
        reply = own(message, now_ns)
        return b"%.5f,%b" % (last[0], reply.split(b",")[1]) if message == "MEAS:ALL?" else reply

    return around("supply", execute)


def done_at_once(*, armed: bool) -> Plant:
    """It tells rest and one capture more: once armed, or only once a burst was fired."""
    state: dict[str, Any] = {"armed": False, "fired": False}

    def plant(bench: SimulatedBench) -> None:
        def execute(_front: Front, message: str, now_ns: int, own: Callable[[str, int], Any]) -> Any:
            reply = own(message, now_ns)
            if message.endswith("SING"):
                state.update(armed=True, before=len(bench.world.triggers))
            if not state["armed"]:
                return reply
            is_true = armed or len(bench.world.triggers) > state["before"]
            if message == ":TRIG:STAT?" and is_true:
                return b"STOP\n"
            if message == ":ACQ:COUN?" and is_true and reply is not None:
                return b"%d\n" % (state["count"] + 1)
            if message == ":ACQ:COUN?":
                state["count"] = int(reply)
            return reply

        around("digitiser", execute)(bench)
        counted = bench.panels["digitiser"]
        state["count"] = getattr(counted, "_count", 0)

    return plant
