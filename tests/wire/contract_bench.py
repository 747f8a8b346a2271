"""Roles and panels of one bench joined by real sockets in simulated time, on a unit of round numbers."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

import drivers
from drivers.actor import Actor
from drivers.capabilities import RoleName
from drivers.dialect import load_dialect
from drivers.joining import link_model
from drivers.roles.capture import DigitiserSettings
from drivers.roles.digitiser import Digitiser
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.meter import Meter
from drivers.roles.supply import Supply, SupplyCeilings
from drivers.roles.thermometer import Thermometer
from sequencer.clock import VirtualClock, run_virtual
from simulators.bench import BenchSpec, Instrument, SimulatedBench
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, SupplyTruth
from simulators.world.journal import BurstRow
from simulators.world.layout import Bay
from simulators.world.unit_truth import ChannelTruth, FeedTruth, HeatTruth, RailTruth, UnitTruth

OFFSET_V = 3.25  # of the unit's output: a level that differs from nought, and by its sign
IDLE_A, SOURCE_OHM = 1.25, 0.01  # 24 V set: 24 - 1.25 x 0.01 = 23.9875 V at the supply's terminals
INPUT_OHM = 20_000.0
LEVEL_VRMS, FREQUENCY_HZ, CYCLES = 0.5, 1000.0, 20
AT_INPUT = INPUT_OHM / (INPUT_OHM + 50.0)  # the generator's 50 ohm into the unit's input, a divider
BITS = 12
FACTORS = {1: 10.0, 2: 10.0, 3: 1.0}
WIRES = {1: "output A", 2: "rail", 3: "input"}
CEILINGS = SupplyCeilings(31.2, 35.0, 34.32)
BAY_CONTACTS = ("201", "202", "203")
METER_CONTACTS = ("109",)
NO_ERRORS = {"SYST:ERR?": b'0,"No error"', "FAULT?": b"FAULT 0,NONE", "ERR?": b"0"}  # by the pages
DIALECTS = Path(drivers.__file__).parent / "dialects"
FIRST_FRONTS: dict[RoleName, str] = {
    "generator": "generator-a",
    "digitiser": "digitiser-a",
    "supply": "supply-a",
    "load_switch": "load-switch-a",
    "thermometer": "thermometer-a",
    "meter": "meter-a",
}

UNIT = UnitTruth(
    "MV-0700",
    (ChannelTruth("A", gain_db=20.0, offset_v=OFFSET_V, input_ohm=INPUT_OHM),),
    RailTruth(30.0),
    FeedTruth(idle_a=IDLE_A, mute_s=0.5),
    HeatTruth(k_per_w=1.0, j_per_k=20.0),
)
TRUTH = BenchTruth(digitiser=DigitiserTruth(BITS, noise_steps=0.0), supply=SupplyTruth(source_ohm=SOURCE_OHM))


@dataclass
class Joint:
    """One bench with both its sides. said: (front, message, reply) by the simulators' log."""

    clock: VirtualClock
    bench: SimulatedBench
    generator: Generator
    digitiser: Digitiser
    supply: Supply
    load_switch: LoadSwitch
    thermometer: Thermometer
    meter: Meter
    said: list[tuple[str, str, bytes | None]] = field(default_factory=list)

    def asks(self, role: str, question: str) -> str:
        """What the panel answers past the link, by its page."""
        reply = self.bench.panels[role].execute(question, self.clock.now_ns())
        assert isinstance(reply, bytes)
        return reply.decode("latin-1").strip()

    @property
    def errors(self) -> list[bytes]:
        """Whatever the instruments had to complain of."""
        asked = [(m, r.strip()) for _, m, r in self.said if m in NO_ERRORS and r is not None]
        return [reply for message, reply in asked if reply != NO_ERRORS[message]]

    @property
    def bursts(self) -> list[BurstRow]:
        return [row for row in self.bench.world.journal if isinstance(row, BurstRow)]

    async def prepare(self) -> None:
        for role in (self.generator, self.supply, self.load_switch, self.digitiser, self.thermometer):
            await role.prepare()

    async def energise(self) -> None:
        """All prepared, the unit connected to 8 ohm and powered, its muting over, the generator's output on."""
        await self.prepare()
        await self.load_switch.close([*BAY_CONTACTS, "101"])
        await self.supply.set(24.0, 20.0)
        await self.supply.output(True)
        await self.generator.output(True)
        await self.clock.sleep(1.0)


def described(*fronts: str) -> list[str]:
    """Those of which a dialect ships."""
    return [front for front in fronts if (DIALECTS / f"{front}.toml").exists()]


def joint(body: Callable[[Joint], Awaitable[None]], **other_fronts: str) -> None:
    """Runs `body` on such a bench, with the shipped dialect of each front on our side. other_fronts: role -> front,
    where it is not the first of its class."""
    fronts = {role: other_fronts.get(role, front) for role, front in FIRST_FRONTS.items()}
    spec = BenchSpec(
        roles={role: Instrument(front, "7") for role, front in fronts.items()},
        wiring=WIRES,
        loads={"8R": {"A": (("101",), 8.0)}},
        bays=(Bay("1", UNIT, BAY_CONTACTS, {}, {"A": "301"}),),
        probe_factors=FACTORS,
        truth=TRUTH,
        meter={"output A": METER_CONTACTS},
    )

    async def main(clock: VirtualClock) -> None:
        said: list[tuple[str, str, bytes | None]] = []
        bench = SimulatedBench(
            spec, clock, 1, log=lambda ns, front, message, reply: said.append((front, message, reply))
        )
        addresses = await bench.start()
        dialects = {role: load_dialect(front, role) for role, front in fronts.items()}
        actors = {
            role: Actor(link_model(dialect, role, addresses[role]), dialect.greeting(), clock)
            for role, dialect in dialects.items()
        }
        try:
            await body(
                Joint(
                    clock,
                    bench,
                    Generator(actors["generator"], dialects["generator"], GeneratorCeilings(4.0, 2.0, (1.0, 1e5))),
                    Digitiser(actors["digitiser"], dialects["digitiser"], DigitiserSettings(BITS, FACTORS)),
                    Supply(actors["supply"], dialects["supply"], CEILINGS),
                    LoadSwitch(actors["load_switch"], dialects["load_switch"]),
                    Thermometer(actors["thermometer"], dialects["thermometer"]),
                    Meter(actors["meter"], dialects["meter"]),
                    said,
                )
            )
        finally:
            for actor in actors.values():
                await actor.close()
            await bench.stop()

    run_virtual(main)
