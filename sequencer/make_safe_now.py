"""`make-safe`: the bench made safe now, whoever holds it and whatever of it can still be read.

Signal and supply are told off at once over plain sockets, as the guardian does it: that needs neither an identity nor
an empty error queue first. Contacts are opened last, over the driver, and only under a rail seen to be down.

What may be broken (drivers, models, the bench file) is imported and read inside functions: with a frozen file in hand,
the standard library is enough.
"""

from __future__ import annotations

import math
import os
import select
import signal
import threading
import tomllib
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, InputRefused, Problem
from sequencer.lock import BenchHeld, BenchLock, Holder, Known, frozen_beside, known
from sequencer.safety.freeze import Frozen, FrozenProblem, began, read
from sequencer.safety.guardian_acts import CUT_OFF, Outcome, Reached, SwitchingOff, reach
from sequencer.safety.make_safe import TOLD_OPEN

if TYPE_CHECKING:
    from drivers.dialect import Dialect
    from sequencer.clock import RealClock
    from sequencer.plan.inputs import Loaded
    from sequencer.plan.models import Bench

OWN_END_WITHIN_S = 25.0  # a night makes its bench safe in at most 20 s of trying, then closes its book
DEAD_WITHIN_S = 2.0
BLEED_S = 10.0  # no unit's file is at hand: the longest of them
AGAIN_FOR_S = 20.0
CONTACT_TRIES, CONTACTS_AGAIN_S = 3, 0.5
ACTS = {"generator": "signal off", "supply": "supply off", "cut_off": "cut-off released", "rail": "rail down"}

Say = Callable[[str], None]


@dataclass(frozen=True)
class Asked:
    """What `make-safe` was asked. bench: a path or a shipped name. frozen: a frozen file to use instead of it."""

    bench: str | None = None
    frozen: Path | None = None
    again_for_s: float = AGAIN_FOR_S


@dataclass(frozen=True)
class Target:
    """What is made safe. holders: the processes that have its links. bench: None where it can't be read as a whole:
    then nothing names its contacts. addresses: per role, as far as known."""

    frozen: Frozen
    holders: tuple[Holder, ...]
    addresses: Mapping[str, str] = field(default_factory=dict)
    dialects: Mapping[Any, Dialect] = field(default_factory=dict)
    bench: Loaded[Bench] | None = None


def make_safe_now(asked: Asked, say: Say) -> int:
    """Returns the exit code. Raises InputRefused where neither bench nor frozen file can be read."""
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # a closed terminal must not end it
    if not 0.0 < asked.again_for_s < math.inf:  # also where it is no number
        remedy = "a number of seconds above 0"
        raise InputRefused([Problem("command line", "--again-for", str(asked.again_for_s), remedy)])
    target = _target(asked, say)
    try:
        missing = _made_safe(target, asked, say)
    except KeyboardInterrupt:
        missing = ["broken off by a person"]
    say("made safe, confirmed" if not missing else f"NOT CONFIRMED SAFE: {', '.join(missing)}")
    return EXIT_NOT_CONFIRMED_SAFE if missing else EXIT_DONE


def _made_safe(target: Target, asked: Asked, say: Say) -> list[str]:
    """What is not confirmed."""
    for holder in target.holders:
        _end(holder, say)
    with ExitStack() as held:
        _hold(target, held, say)
        frozen = _within(target.frozen, asked.again_for_s)
        outcome = _switched_off(frozen, say)
        # A relay that was released hides the unit's reservoir from the supply's meter: it gets all its time.
        hidden_s = frozen.rail.bleed_s if frozen.rail and CUT_OFF in outcome.off else 0.0
        if frozen.rail is None:
            say("A PERSON MUST SWITCH THE SUPPLY OFF: no remote supply; measure the rail before it is touched")
        return [ACTS[one] for one in outcome.missing] + _contacts(target, outcome, hidden_s, say)


# What is to be made safe


def _target(asked: Asked, say: Say) -> Target:
    if asked.frozen is not None:
        return _frozen_target(asked.frozen)
    if asked.bench is None:
        raise InputRefused([Problem("command line", "--bench", "(nothing)", "name the bench, or a frozen file")])
    path = _bench_path(asked.bench)
    try:
        return _bench_target(asked.bench, path)
    except InputRefused as refused:
        problems = refused.problems
    except Exception as error:  # a package that does not load must not keep the bench energised
        problems = [Problem(asked.bench, "(whole file)", type(error).__name__, str(error))]
    say(f"{asked.bench} can't be used as a whole: {problems[0]}")
    if (found := _left_behind(path)) is not None:
        say(f"used instead: what was frozen of it, {found}")
        return _frozen_target(found)
    try:
        return _part_target(path)
    except Exception:  # the problems of the whole file say more
        remedy = f"no frozen file was left of {asked.bench}: name one, or mend the bench file"
        raise InputRefused([*problems, Problem("command line", "--frozen", "(nothing)", remedy)]) from None


def _bench_path(bench: str) -> Path:
    if "/" in bench or bench.endswith(".toml"):
        return Path(bench).resolve()
    return (Path(__file__).resolve().parents[1] / "sequences" / "benches" / f"{bench}.toml").resolve()


def _bench_target(bench: str, path: Path) -> Target:
    from sequencer.plan.load import load_bench
    from sequencer.roles import load_dialects

    loaded = load_bench(bench)
    dialects = load_dialects(loaded)
    addresses: dict[str, str] = {name: loaded.model.role[name].address for name in loaded.model.roles()}
    return replace(_target_of(path, loaded.model.name, dialects, addresses), bench=loaded)


def _part_target(path: Path) -> Target:
    """Of a bench file that is TOML but is refused: what switches off needs no more of it than these roles."""
    from drivers.capabilities import RoleName
    from drivers.dialect import load_dialect

    roles = tomllib.loads(path.read_text(encoding="utf-8-sig"))["role"]
    dialects: dict[Any, Dialect] = {}
    switched: tuple[RoleName, ...] = ("generator", "supply", "cut_off")
    for name in (one for one in switched if one in roles or one == "generator"):
        dialect = roles[name]["dialect"]
        where = str(path.parent / dialect) if dialect.endswith(".toml") else dialect
        dialects[name] = load_dialect(where, name, roles[name].get("channel", 1))
    return _target_of(path, path.stem, dialects, {name: roles[name]["address"] for name in dialects})


def _target_of(path: Path, bench: str, dialects: Mapping[Any, Dialect], addresses: Mapping[str, str]) -> Target:
    """Raises InputRefused for an address that is no TCP socket."""
    from sequencer.safety.frozen_bench import Held, freeze

    pid = os.getpid()
    held = Held("make-safe", bench, pid, began(pid), os.devnull, BLEED_S)
    try:
        frozen = freeze(held, dialects, addresses)
    except ValueError as error:
        raise InputRefused([Problem(path.name, "role.*.address", "(see there)", str(error))]) from None
    lock = BenchLock(addresses).path.name
    holders = _holders(lambda one: one.path.name == lock or _is_of(one, path))
    return Target(frozen, holders, addresses, dialects)


def _frozen_target(path: Path) -> Target:
    """Its own process is ended too if it still lives: it wrote the file when it took the links."""
    try:
        frozen = read(path)
    except FrozenProblem as problem:
        raise InputRefused([Problem("command line", "--frozen", str(path), str(problem))]) from None
    beside = path.resolve()
    holders = _holders(lambda one: frozen_beside(one.path).resolve() == beside)
    own = Holder(frozen.pid, frozen.pid_began, 0.0, frozen.bench, "", str(beside))
    return Target(frozen, holders or ((own,) if own.lives and own.pid != os.getpid() else ()))


def _left_behind(path: Path) -> Path | None:
    """The latest readable frozen file of a bench file that can't be read any more."""
    for one in known():
        if _is_of(one, path):
            for frozen in (Path(one.holder.frozen), frozen_beside(one.path)):
                if frozen.is_file():
                    return frozen
    return None


def _is_of(one: Known, bench_file: Path) -> bool:
    return one.holder.bench_file == str(bench_file)


def _holders(is_meant: Callable[[Known], bool]) -> tuple[Holder, ...]:
    return tuple(one.holder for one in known() if one.is_held and one.holder.lives and is_meant(one))


# Whoever holds it


def _end(holder: Holder, say: Say) -> None:
    """Asked first, since it knows its own bench best; by a descriptor, so that a later process is never meant."""
    try:
        process = os.pidfd_open(holder.pid)
    except OSError:
        return
    try:
        if not holder.lives:
            return
        if not _is_stopped(holder.pid):
            say(f"{holder} holds the bench: asked to make it safe and to end")
            signal.pidfd_send_signal(process, signal.SIGTERM)
            if _has_ended(process, OWN_END_WITHIN_S):
                return
        say(f"{holder} does not end: killed")
        signal.pidfd_send_signal(process, signal.SIGKILL)
        _has_ended(process, DEAD_WITHIN_S)
    except OSError as error:  # gone meanwhile, or another person's
        say(f"{holder}: {error.strerror}")
    finally:
        os.close(process)


def _has_ended(process: int, within_s: float) -> bool:
    return bool(select.select([process], [], [], within_s)[0])


def _is_stopped(pid: int) -> bool:
    """Stopped by a signal (state T, proc(5)): it could hear no other for as long as one waits."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(errors="replace").rpartition(")")[2].split()[0] in ("T", "t")
    except (OSError, IndexError):
        return False


def _hold(target: Target, held: ExitStack, say: Say) -> None:
    """So that no night begins meanwhile. Without it the bench is made safe all the same."""
    if target.bench is None:
        return
    try:
        held.enter_context(BenchLock(target.addresses).taken(target.bench.model.name, target.bench.path))
    except (BenchHeld, OSError) as error:
        say(f"lock not taken ({error}): going on without it")


# Off


def _within(frozen: Frozen, again_for_s: float) -> Frozen:
    """What fails is tried again for so long; the rail gets no longer than it needs at most."""
    rail = frozen.rail and replace(frozen.rail, bleed_s=min(frozen.rail.bleed_s, again_for_s))
    return replace(frozen, rail=rail, give_up_after_s=again_for_s)


def _switched_off(frozen: Frozen, say: Say) -> Outcome:
    one_line = threading.Lock()

    def note(who: str, what: str) -> None:
        with one_line:
            say(f"{who}: {what}")

    bench: list[Reached] = []
    for one in frozen.instruments:
        try:
            bench.append(reach(one))
        except FrozenProblem as problem:  # a name that does not resolve must not spare the others
            note(one.role, str(problem))
    return SwitchingOff(frozen, note, lambda: None).all(bench)


def _contacts(target: Target, outcome: Outcome, hidden_s: float, say: Say) -> list[str]:
    """What of them is not confirmed. hidden_s: waited before. Under a rail that is up they stay as they are: a contact
    opened under DC welds, and a load that stays connected bleeds the rail."""
    if target.bench is not None and "load_switch" in target.bench.model.by_hand:
        say("contacts: none here; what a person connected stays connected")
        return []
    if not outcome.rail_is_down:
        say("contacts: left as they are, since the rail was not seen to be down")
        return ["contacts open"]
    if target.bench is None:
        say("contacts: left as they are, since nothing that can be read names them")
        return []
    try:
        word = _opened(target, target.bench.model, hidden_s)
    except Exception as error:  # said, whatever it is: signal and supply are off by now
        word = f"{type(error).__name__}: {error}"
    seen = target.dialects["load_switch"].reads_contacts and target.bench.model.contacts_seen
    done = "opened, and every coil reads off" if seen else TOLD_OPEN
    say(f"contacts: {f'NOT OPENED: {word}' if word else done}")
    return ["contacts open"] if word else []


def _opened(target: Target, bench: Bench, hidden_s: float) -> str:
    """Over the driver. What went wrong, or nothing."""
    from drivers.errors import InstrumentError
    from sequencer.clock import run_real
    from sequencer.roles import build

    contacts = all_contacts(bench)

    async def main(clock: RealClock) -> str:
        instruments, word = build(bench, target.dialects, target.addresses, clock), ""
        switch = instruments.hands.load_switch
        await clock.sleep(hidden_s)
        try:
            for _ in range(CONTACT_TRIES):
                try:
                    await switch.open_all()
                    if not switch.reads_back:
                        return ""
                    closed = [name for name, on in (await switch.states(contacts)).items() if on]
                except InstrumentError as error:
                    word = str(error)
                else:
                    word = f"the coils of {', '.join(closed)} are still on" if closed else ""
                    if not word:
                        break
                await clock.sleep(CONTACTS_AGAIN_S)
            return word
        finally:
            await instruments.close()

    return run_real(main)


def all_contacts(bench: Bench) -> list[str]:
    """Every contact the bench names, each once."""
    of_bays = [
        name
        for bay in bench.bay
        for name in (
            bay.supply_contact,
            bay.input_contact,
            *bay.input_contacts.values(),
            *bay.output_contacts,
            bay.remote_contact,
        )
        if name
    ]
    of_loads = [name for load in bench.load.values() for channel in load.ohm for name in load.contacts_of(channel)]
    return list(dict.fromkeys(of_bays + of_loads))
