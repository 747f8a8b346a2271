"""What `simulate` needs around a simulated bench: its ports, its log, the bench file that leads to it, its end."""

from __future__ import annotations

import ipaddress
import json
import re
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TextIO

from sequencer.errors import Fault, InputRefused, Problem
from sequencer.night.supervise import Stop, listening
from sequencer.plan.inputs import Loaded, UnitInBay
from sequencer.plan.models import Bench
from sequencer.safety.frozen_bench import host_and_port

MOST_LOGGED_BYTES = 200  # a record's block would make the log unreadable
Log = Callable[[int, str, str, bytes | None], None]
Say = Callable[[str], None]


@dataclass(frozen=True)
class Standing:
    """What stands on a simulated bench."""

    bench: Loaded[Bench]
    units: tuple[UnitInBay, ...]


@dataclass(frozen=True)
class Files:
    """What `simulate` writes. log: JSON lines of every message, each at once. bench_out: the bench file with the
    addresses that lead here. ports: JSON, role -> port, whole as soon as all listen."""

    log: Path | None = None
    bench_out: Path | None = None
    ports: Path | None = None


def ports_of(bench: Loaded[Bench]) -> dict[str, int]:
    """Role -> port to listen on: that of an address on this machine, 0 (any free one) for every other."""
    return {name: _own_port(bench.model.role[name].address) for name in bench.model.roles()}


def _own_port(address: str) -> int:
    try:
        host, port = host_and_port(address)
        is_own = host == "localhost" or ipaddress.ip_address(host) == ipaddress.ip_address("127.0.0.1")
    except ValueError:
        return 0
    return port if is_own else 0


def check_bench_out(bench: Loaded[Bench], out: Path | None) -> None:
    """Raises InputRefused where the copy would lead elsewhere than the file itself, or be written over it."""
    if out is None:
        return
    why = None
    named: list[str | None] = [role.dialect for role in bench.model.role.values()]
    named += [*bench.model.simulated.truth.values(), bench.model.simulated.world, bench.model.simulated.faults]
    beside = [one for one in named if one and ("/" in one or one.endswith(".toml"))]
    if out.resolve() == bench.path.resolve():
        why = "that is the bench file itself: name another"
    elif beside and out.resolve().parent != bench.path.resolve().parent:
        why = f"the bench file names {beside[0]}, which lies beside it: write the copy into the same folder"
    elif not out.resolve().parent.is_dir():
        why = "no such folder"
    if why:
        raise InputRefused([Problem("command line", "--bench-out", str(out), why)])


def with_addresses(text: str, addresses: Mapping[str, str]) -> str:
    """A bench file's text with these addresses put in, and nothing else changed. Raises ValueError where that can't
    be done, as with addresses written in escapes."""
    old = {name: role["address"] for name, role in tomllib.loads(text)["role"].items()}
    new = {old[name]: address for name, address in addresses.items()}
    any_old = "|".join(re.escape(one) for one in sorted(new, key=len, reverse=True))
    done = re.sub(f"(address\\s*=\\s*[\"'])({any_old})([\"'])", lambda m: m[1] + new[m[2]] + m[3], text)
    if {name: role["address"] for name, role in tomllib.loads(done)["role"].items()} != {**old, **addresses}:
        raise ValueError("an address of the bench file can't be replaced: write it plainly, in one pair of quotes")
    return done


@contextmanager
def log_of_messages(path: Path | None, roles: Mapping[str, str], failed: Callable[[OSError], None]) -> Iterator[Log]:
    """JSON lines: t_ns (CLOCK_MONOTONIC, the same for every process of a machine), instrument (its role), message,
    reply (its first bytes), reply_bytes. roles: front -> role. failed: hears that a line could not be written."""
    if path is None:
        yield lambda now_ns, front, message, reply: None
        return
    with _opened(path) as file:

        def log(now_ns: int, front: str, message: str, reply: bytes | None) -> None:
            told_ns = time.monotonic_ns()
            row = {"t_ns": told_ns, "instrument": roles.get(front, front), "message": message, "reply": None}
            if reply is not None:
                row |= {"reply": reply[:MOST_LOGGED_BYTES].decode("latin-1").strip(), "reply_bytes": len(reply)}
            try:
                file.write(json.dumps(row) + "\n")
            except OSError as error:
                failed(error)

        yield log


@contextmanager
def _opened(path: Path) -> Iterator[TextIO]:
    try:
        file = path.open("w", encoding="utf-8", buffering=1)
    except OSError as error:
        raise InputRefused(
            [Problem("command line", "--log", str(path), f"can't be written: {error.strerror}")]
        ) from None
    try:
        yield file
    finally:
        with suppress(OSError):  # its last line, which was told already
            file.close()


class Servers(Protocol):
    """Simulated instruments."""

    async def start(self) -> Mapping[str, str]: ...
    async def stop(self) -> None: ...


@dataclass
class Running:
    """A simulated bench for other processes, from its start to a signal. failed: why it must end before one."""

    files: Files
    bench: Loaded[Bench]
    say: Say
    failed: OSError | None = None
    _stop: Stop | None = None

    def log_failed(self, error: OSError) -> None:
        """A log with holes would be believed."""
        self.failed = self.failed or error
        if self._stop is not None:
            self._stop.first.set()

    async def run(self, servers: Servers) -> None:
        """Starts, says where each listens, waits for Ctrl-C or SIGTERM. Raises InputRefused where a port is taken or
        a file can't be written, Fault where the log ends early."""
        with listening() as self._stop:
            try:
                self._told(await _started(servers, self.bench.name))
                self.say("simulated instruments listen; Ctrl-C ends them")
                await self._stop.first.wait()
            finally:
                await servers.stop()
        if self.failed is not None:
            raise Fault(f"--log: {self.files.log}: {self.failed.strerror}: simulated instruments ended with it")

    def _told(self, addresses: Mapping[str, str]) -> None:
        for name, address in addresses.items():
            self.say(f"{name:12} {address}")
        if self.files.bench_out is not None:
            text = self.bench.path.read_text(encoding="utf-8-sig")
            _write(self.files.bench_out, with_addresses(text, addresses), "--bench-out")
        if self.files.ports is not None:
            _write(self.files.ports, json.dumps(_ports(addresses), sort_keys=True) + "\n", "--ports-file")


async def _started(servers: Servers, bench: str) -> Mapping[str, str]:
    try:
        return await servers.start()
    except OSError as error:
        why = f"can't listen there: {error.strerror or error}; is another one running?"
        raise InputRefused([Problem(bench, "role.*.address", "(see there)", why)]) from None


def _ports(addresses: Mapping[str, str]) -> dict[str, int]:
    return {name: host_and_port(address)[1] for name, address in addresses.items()}


def _write(path: Path, text: str, option: str) -> None:
    """Whole or not at all: whoever waits for it reads it at once."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise InputRefused(
            [Problem("command line", option, str(path), f"can't be written: {error.strerror}")]
        ) from None
