"""A whole simulated bench: one world, a panel for each role, a server for each panel."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from simulators.faults import LinkFaults
from simulators.panels.cut_off_a import CutOffA
from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.digitiser_b import DigitiserB
from simulators.panels.front import Front
from simulators.panels.generator_a import GeneratorA
from simulators.panels.interlock_a import InterlockA
from simulators.panels.load_switch_a import LoadSwitchA
from simulators.panels.supply_a import SupplyA
from simulators.panels.supply_b import SupplyB
from simulators.panels.thermometer_a import ThermometerA
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
    bays: places with the units in them.
    """

    roles: Mapping[str, Instrument]
    wiring: Mapping[int, str]
    loads: Mapping[str, Mapping[str, tuple[tuple[str, ...], float]]]
    bays: tuple[Bay, ...]
    probe_factors: Mapping[int, float] = field(default_factory=dict)
    truth: BenchTruth = field(default_factory=BenchTruth)

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
    "digitiser-a": lambda world, serial, spec: DigitiserA(world, serial, dict(spec.wiring)),
    "digitiser-b": lambda world, serial, spec: DigitiserB(world, serial, dict(spec.wiring)),
    "supply-a": lambda world, serial, spec: SupplyA(world, serial),
    "supply-b": lambda world, serial, spec: SupplyB(world, serial),
    "load-switch-a": lambda world, serial, spec: LoadSwitchA(world, serial),
    "thermometer-a": lambda world, serial, spec: ThermometerA(world, serial),
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

    async def start(self) -> dict[str, str]:
        """Role -> VISA resource name."""
        for server in self.servers.values():
            await server.start()
        return {role: server.address for role, server in self.servers.items()}

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
