"""The whole simulated bench behind its sockets, on a time base of its own."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Callable, Hashable
from dataclasses import replace

from simulators.bench import FRONTS, BenchSpec, Instrument, SimulatedBench
from simulators.faults import LinkFault, LinkFaults
from simulators.world.layout import Bay
from simulators.world.truth_files import shipped_bench, shipped_units

ROLES = {
    "generator": Instrument("generator-a", "G1"),
    "digitiser": Instrument("digitiser-a", "D1"),
    "supply": Instrument("supply-b", "S1"),
    "load_switch": Instrument("load-switch-a", "L1"),
    "thermometer": Instrument("thermometer-a", "T1"),
}
SPEC = BenchSpec(
    roles=ROLES,
    wiring={1: "output A", 2: "output B", 3: "rail"},
    loads={"4R": {"A": (("101",), 4.068), "B": (("102",), 4.052)}},
    bays=(Bay("1", shipped_units()["MV-0117"], ("201",), thermometer={"A": "301", "B": "302"}),),
    probe_factors={2: 1.0},
    truth=shipped_bench(),
)


class _Handle:
    def __init__(self) -> None:
        self.cancelled = False

    def cancel(self) -> None:
        self.cancelled = True


class SteppedTime:
    """Moves to the next wake-up whenever the loop comes round: no waiting, no real time."""

    def __init__(self) -> None:
        self._now_ns = 0
        self._heap: list[tuple[int, int, Callable[[], None], _Handle]] = []
        self._count = 0

    def now_ns(self) -> int:
        return self._now_ns

    def call_at_ns(self, when_ns: int, callback: Callable[[], None]) -> _Handle:
        handle = _Handle()
        self._count += 1
        heapq.heappush(self._heap, (when_ns, self._count, callback, handle))
        asyncio.get_running_loop().call_soon(self._wake)
        return handle

    def _wake(self) -> None:
        when_ns, _, callback, handle = heapq.heappop(self._heap)
        if not handle.cancelled:
            self._now_ns = max(self._now_ns, when_ns)
            callback()

    def connected(self, port: Hashable) -> None: ...
    def received(self, port: Hashable, count: int) -> None: ...
    def reply_complete(self, port: Hashable) -> None: ...
    def disconnected(self, port: Hashable) -> None: ...


async def ask(address: str, message: str) -> str:
    port = int(address.split("::")[2])
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(message.encode() + b"\n")
    reply = await reader.readline()
    writer.close()
    await writer.wait_closed()
    return reply.decode().rstrip("\n")


async def answer_or_nothing(address: str, message: str) -> str:
    try:
        return await ask(address, message)
    except ConnectionError:
        return ""


async def test_every_role_answers_for_itself() -> None:
    """Identities of the programming pages, with the serials of the bench."""
    bench = SimulatedBench(SPEC, SteppedTime(), seed=1)
    addresses = await bench.start()
    try:
        answers = {role: await ask(address, "*IDN?") for role, address in addresses.items()}
    finally:
        await bench.stop()
    assert answers == {
        "generator": "HARBOUR INSTRUMENTS,FG-1,G1,1.4",
        "digitiser": "LIGHTSHIP,DS-4A,D1,02.11",
        "supply": "GANGWAY POWER,GP40-100,S1,B.07",
        "load_switch": "HARBOUR INSTRUMENTS,RB-32,L1,1.0",
        "thermometer": "LIGHTSHIP,TH-8,T1,1.1",
    }
    assert all(
        address.startswith("TCPIP::127.0.0.1::") and address.endswith("::SOCKET") for address in addresses.values()
    )


async def test_a_restart_puts_a_panel_back_to_power_on() -> None:
    """The fault of the link strikes at the third message; then the output is off and the power-on bit is set."""
    faults = {"supply": LinkFaults((LinkFault("restart", at_message=3, begins="CONF:OUTP?"),))}
    bench = SimulatedBench(SPEC, SteppedTime(), seed=1, faults=faults)
    address = (await bench.start())["supply"]
    try:
        assert await ask(address, "*ESR?;:CONF:OUTP ON;OUTP?") == "128;ON"
        assert await ask(address, "CONF:OUTP?") == "ON"
        assert await ask(address, "CONF:OUTP?") == "ON"
        assert await answer_or_nothing(address, "CONF:OUTP?") == ""
        assert await ask(address, "*ESR?;:CONF:OUTP?") == "128;OFF"
    finally:
        await bench.stop()


OTHERS = {
    "generator-b": ("*IDN?", b"SALTMARSH,WG-12,X1,2.03\r\n"),
    "generator-c": ("*IDN?", b"HARBOUR INSTRUMENTS,KV-5,X1,5.1\n"),
    "digitiser-c": ("*IDN?", b"PILOT CUTTER,D-10,X1,3.30\n"),
    "supply-c": ("*IDN?", b"SALTMARSH,TP-3,X1,1.19\n"),
    "load-switch-b": ("*IDN?", b"WINDLASS,CM-48,X1,1.6\n"),
    "load-switch-c": ("*IDN?", b"PILOT CUTTER,DL-48,X1,2.2\n"),
    "thermometer-b": ("*IDN?", b"WINDLASS,TS-16,X1,4.0\n"),
    "thermometer-c": ("I", b"BINNACLE T16 sX1 v1.3\r"),
    "meter-b": ("*IDN?", b"PILOT CUTTER,V-6,X1,1.02\n"),
    "meter-c": ("ID?", b"BINNACLE VM-4 sX1 v2.0\n"),
}


async def test_other_fronts_answer_with_their_own_line_ends() -> None:
    """Identities and line ends of the programming pages, by a socket; each as the instrument a role names."""
    spec = replace(SPEC, roles={name: Instrument(name, "X1") for name in OTHERS})
    bench = SimulatedBench(spec, SteppedTime(), seed=1)
    addresses = await bench.start()
    try:
        for name, (question, expected) in OTHERS.items():
            end = expected[-1:]
            reader, writer = await asyncio.open_connection("127.0.0.1", int(addresses[name].split("::")[2]))
            writer.write(question.encode() + (b"\r\n" if expected.endswith(b"\r\n") else end))
            assert await reader.readuntil(end) == expected
            writer.close()
            await writer.wait_closed()
    finally:
        await bench.stop()


def test_probes_as_really_fitted() -> None:
    """The bench's truth says 10 on input 2; what is fitted is 1, and its errors stay."""
    fitted = SPEC.fitted_truth.digitiser
    assert (fitted.input(1).probe_factor, fitted.input(2).probe_factor) == (10.0, 1.0)
    assert fitted.input(2).probe_gain_error == SPEC.truth.digitiser.input(2).probe_gain_error


def test_all_fronts_have_their_own_names() -> None:
    """A panel is known to faults and logs by its front's name."""
    world = SimulatedBench(SPEC, SteppedTime(), seed=1).world
    assert {name: make(world, "1", SPEC).name for name, make in FRONTS.items()} == {name: name for name in FRONTS}
