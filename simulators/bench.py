"""A whole simulated bench: one world, a panel for each role, a server for each panel."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from simulators.faults import LinkFaults
from simulators.panels.cut_off_a import CutOffA
from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.digitiser_b import DigitiserB
from simulators.panels.digitiser_c import DigitiserC
from simulators.panels.front import Front
from simulators.panels.generator_a import GeneratorA
from simulators.panels.generator_b import GeneratorB
from simulators.panels.generator_c import GeneratorC
from simulators.panels.interlock_a import InterlockA
from simulators.panels.load_switch_a import LoadSwitchA
from simulators.panels.load_switch_b import LoadSwitchB
from simulators.panels.load_switch_c import LoadSwitchC
from simulators.panels.meter_a import MeterA
from simulators.panels.meter_b import MeterB
from simulators.panels.meter_c import MeterC
from simulators.panels.supply_a import SupplyA
from simulators.panels.supply_b import SupplyB
from simulators.panels.supply_c import SupplyC
from simulators.panels.thermometer_a import ThermometerA
from simulators.panels.thermometer_b import ThermometerB
from simulators.panels.thermometer_c import ThermometerC
from simulators.server import InstrumentServer
from simulators.timebase import TimeBase
from simulators.world.bench_truth import BenchTruth, InputTruth
from simulators.world.layout import Bay, Layout, Load
from simulators.world.world import World

Log = Callable[[int, str, str, bytes | None], None]


@dataclass(frozen=True)
class Instrument:
    """What stands on the bench for a role. front: a name of `FRONTS`, as the programming pages have it. port: where it
    listens, 0: anywhere."""

    front: str
    serial: str
    single_connection: bool = False
    port: int = 0


@dataclass(frozen=True)
class BenchSpec:
    """Plain data of a simulated bench.

    roles: role -> instrument. wiring: digitiser input -> wire. loads: name -> channel -> (contacts, true ohms).
    probe_factors: digitiser input -> probe really fitted, where it differs from `truth`.
    bays: places with the units in them. rates_hz: what the digitiser samples at by its order number, where its
    front's own rates are others. meter: wire -> contacts that put the meter on it.
    """

    roles: Mapping[str, Instrument]
    wiring: Mapping[int, str]
    loads: Mapping[str, Mapping[str, tuple[tuple[str, ...], float]]]
    bays: tuple[Bay, ...]
    probe_factors: Mapping[int, float] = field(default_factory=dict)
    truth: BenchTruth = field(default_factory=BenchTruth)
    meter: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    rates_hz: tuple[float, ...] = ()

    @property
    def layout(self) -> Layout:
        return Layout(self.bays, tuple(Load(name, channels) for name, channels in self.loads.items()))

    @property
    def fitted_truth(self) -> BenchTruth:
        """The bench's truth with the probes that are really fitted."""
        inputs = dict(self.truth.digitiser.inputs)
        for number, factor in self.probe_factors.items():
            inputs[number] = replace(inputs.get(number, InputTruth()), probe_factor=factor)
        return replace(self.truth, digitiser=replace(self.truth.digitiser, inputs=inputs))


FRONTS: dict[str, Callable[[World, str, BenchSpec], Front]] = {
    "generator-a": lambda world, serial, spec: GeneratorA(world, serial),
    "generator-b": lambda world, serial, spec: GeneratorB(world, serial),
    "generator-c": lambda world, serial, spec: GeneratorC(world, serial),
    "digitiser-a": lambda world, serial, spec: DigitiserA(world, serial, dict(spec.wiring), spec.rates_hz),
    "digitiser-b": lambda world, serial, spec: DigitiserB(world, serial, dict(spec.wiring), spec.rates_hz),
    "digitiser-c": lambda world, serial, spec: DigitiserC(world, serial, dict(spec.wiring), spec.rates_hz),
    "supply-a": lambda world, serial, spec: SupplyA(world, serial),
    "supply-b": lambda world, serial, spec: SupplyB(world, serial),
    "supply-c": lambda world, serial, spec: SupplyC(world, serial),
    "load-switch-a": lambda world, serial, spec: LoadSwitchA(world, serial),
    "load-switch-b": lambda world, serial, spec: LoadSwitchB(world, serial),
    "load-switch-c": lambda world, serial, spec: LoadSwitchC(world, serial),
    "thermometer-a": lambda world, serial, spec: ThermometerA(world, serial),
    "thermometer-b": lambda world, serial, spec: ThermometerB(world, serial),
    "thermometer-c": lambda world, serial, spec: ThermometerC(world, serial),
    "meter-a": lambda world, serial, spec: MeterA(world, serial, spec.meter),
    "meter-b": lambda world, serial, spec: MeterB(world, serial, spec.meter),
    "meter-c": lambda world, serial, spec: MeterC(world, serial, spec.meter),
    "interlock-a": lambda world, serial, spec: InterlockA(world, serial),
    "cut-off-a": lambda world, serial, spec: CutOffA(world, serial),
}


class SimulatedBench:
    """Servers on loopback over one world. `faults`: role -> faults of that instrument's link."""

    def __init__(
        self,
        spec: BenchSpec,
        timebase: TimeBase,
        seed: int,
        faults: Mapping[str, LinkFaults] | None = None,
        log: Log | None = None,
    ) -> None:
        self.spec, self._timebase = spec, timebase
        self.world = World(spec.layout, spec.fitted_truth, seed)
        self.panels = {
            role: FRONTS[instrument.front](self.world, instrument.serial, spec)
            for role, instrument in spec.roles.items()
        }
        self.servers = {
            role: InstrumentServer(
                panel,
                timebase,
                self._bound(panel, (faults or {}).get(role)),
                log,
                single_connection=spec.roles[role].single_connection,
                port=spec.roles[role].port,
            )
            for role, panel in self.panels.items()
        }

    def now_ns(self) -> int:
        """Bench clock."""
        return self._timebase.now_ns()

    async def start(self) -> dict[str, str]:
        """Role -> VISA resource name."""
        for server in self.servers.values():
            await server.start()
        return {role: server.address for role, server in self.servers.items()}

    def lay(self, loop_input: str | None, dummy_ohm: float | None) -> None:
        """As a person connects a bench without units to prove it: this digitiser input's probe on the generator's
        output, a resistor across the supply's lead.
        """
        if loop_input is not None:
            self.world.probes[int(loop_input.removeprefix("ch"))] = "input"
        if dummy_ohm is not None:
            self.world.laid.dummy_ohm = dummy_ohm

    @property
    def worked_s(self) -> float:
        """Real seconds spent inside the simulated instruments so far."""
        return sum(server.worked_s for server in self.servers.values())

    async def stop(self) -> None:
        for server in self.servers.values():
            await server.stop()

    def _bound(self, panel: Front, faults: LinkFaults | None) -> LinkFaults | None:
        """A restart, unless the faults say otherwise, puts the panel back to its power-on state."""
        if faults is None or faults.on_restart is not None:
            return faults
        return replace(faults, on_restart=lambda: panel.restart(self._timebase.now_ns()))
