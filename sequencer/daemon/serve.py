"""`serve`: everything that must hold before the daemon's loop begins: files, lock, the word, the queue."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sequencer.clock import RealClock, run_real
from sequencer.daemon.left import BrokenOff, settle_left
from sequencer.daemon.live import Live, Telling, beside_ledger, beside_lock
from sequencer.daemon.notify import Notifier
from sequencer.daemon.wish import Wish
from sequencer.daemon.work import Daemon, Tools
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.opening import WriterLock
from sequencer.ledger.queue import Entry, Queue
from sequencer.lock import BenchHeld, BenchLock
from sequencer.night.listen import Listener, Several
from sequencer.night.supervise import listening
from sequencer.on_paper import Check, checked
from sequencer.page.about import About
from sequencer.page.board import Board
from sequencer.page.showing import opened_page, page_on
from sequencer.page.wish import Opened
from sequencer.plan.arming import standing_lines
from sequencer.plan.check_table import Checked
from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench
from sequencer.proving.keep import standing
from sequencer.real_run import Hold, addresses_of, arm, bench_line, refuse_nobody_there, tell_last
from sequencer.roles import load_dialects
from sequencer.safety.freeze import began
from sequencer.safety.lifeline import NotArmed
from sequencer.whole_night import make_folder

Ask = Callable[[str], str]


def serve(bench: str, wish: Wish, listener: Listener, ask: Ask | None) -> int:
    """Works through the queue; returns an exit code. ask: as of `real_run`. Raises InputRefused before anything is
    touched: also where another process has the bench, or the word is not typed."""
    loaded = load_bench(bench)
    refuse_nobody_there(loaded.model, loaded.name)
    addresses = addresses_of(loaded)
    proof = standing(wish.proof, loaded, load_dialects(loaded), datetime.now(UTC))  # noqa: TID251 (proofs age)
    reference = None if wish.reference is None else _reference(wish, loaded)
    with opened_page(wish.page) as page:
        make_folder(wish.ledger.parent)
        every = reference.units if reference else ()
        terminal = Terminal(listener, ask, page, bench_line(proof))
        return _with_the_lock(wish, loaded, BenchLock(addresses), every, terminal)


@dataclass(frozen=True)
class Terminal:
    """Who hears what is said, who types the word, and the page that may be looked at besides. proof: of the bench, in a
    line."""

    listener: Listener
    ask: Ask | None
    page: Opened | None
    proof: str


def _with_the_lock(
    wish: Wish, loaded: Loaded[Bench], lock: BenchLock, every: Sequence[Checked], terminal: Terminal
) -> int:
    """every: of the reference unit, what its plan asks."""
    listener = terminal.listener
    try:
        if (holder := lock.held_by()) is not None:
            raise BenchHeld(holder)
        with Queue(wish.ledger) as queue, _alone(wish.ledger):
            listener.said(terminal.proof)
            _arm(wish, loaded, [*_known(queue, loaded), *every], listener, terminal.ask)
            with lock.taken(loaded.model.name, loaded.path):
                hold = Hold(lock, lock.path.with_suffix(".guardian.jsonl"))
                acted = tell_last(hold.record, listener.said)
                left = BrokenOff(settle_left(queue, wish.ledger, listener.said), acted)
                about = About(loaded.model.name, simulated=False, has_queue=True)
                with page_on(terminal.page, about, lambda _: wish.ledger, listener.said) as board:
                    return _working(wish, loaded, queue, hold, Heard(listener, board), left)
    except BenchHeld as held:
        words = f"{held}: one at a time works on a bench; end that one first, or leave the work to it"
        raise InputRefused([Problem(loaded.name, "role.generator.address", "held", words)]) from None
    except NotArmed as not_armed:
        raise InputRefused([Problem("this machine", "guardian", "not armed", str(not_armed))]) from None


@dataclass(frozen=True)
class Heard:
    """By whom a night is heard. board: of the page, None without one."""

    listener: Listener
    board: Board | None


@contextmanager
def _alone(ledger: Path) -> Iterator[None]:
    """One daemon for one ledger, even on two benches: each of its nights wants to be its only writer."""
    try:
        lock = WriterLock.take(ledger.with_name("serve"))
    except InputRefused:
        words = "another `serve` works through its queue, on another bench: name another ledger"
        raise InputRefused([Problem(str(ledger), "--ledger", "in use", words)]) from None
    try:
        yield
    finally:
        lock.release()


def _reference(wish: Wish, bench: Loaded[Bench]) -> Check:
    unit, plan = wish.reference or ("", "")
    on_paper, _, _ = checked(plan, (unit,), str(bench.path))
    if on_paper.refused:
        raise InputRefused(on_paper.refused)
    return on_paper


def _known(queue: Queue, bench: Loaded[Bench]) -> list[Checked]:
    """What waits now, on paper; what is refused by now is put on hold when its turn comes."""
    found: list[Checked] = []
    for entry in queue.entries("waiting"):
        with suppress(InputRefused):
            found += _on_paper(entry, bench).units
    return found


def _on_paper(entry: Entry, bench: Loaded[Bench]) -> Check:
    return checked(entry.plan, (f"{entry.unit}@{entry.bay}",), str(bench.path))[0]


def _arm(wish: Wish, bench: Loaded[Bench], every: list[Checked], listener: Listener, ask: Ask | None) -> None:
    """Shown at every start; the word, or a name, before anything is touched."""
    lines = list(standing_lines(bench.model, [one for one in every if not one.refused]))
    if wish.hours is not None:
        lines.append(f"  begins something between {wish.hours.begin:%H:%M} and {wish.hours.until:%H:%M} only")
    arm(lines, wish.armed_by, listener.said, ask)


def _working(wish: Wish, bench: Loaded[Bench], queue: Queue, hold: Hold, by: Heard, left: BrokenOff) -> int:
    first = Live(
        pid=os.getpid(),
        pid_began=began(os.getpid()),
        bench=bench.model.name,
        bench_file=str(bench.path.resolve()),
        ledger=str(wish.ledger),
        since=_stamp(),
        changed=_stamp(),
    )
    telling = Telling((beside_ledger(wish.ledger), beside_lock(hold.lock.path)), first, _stamp)
    notifier = Notifier.from_environment(os.environ, _monotonic_ns)
    heard = Several((by.listener, telling, *((by.board,) if by.board else ())))

    async def main(clock: RealClock) -> int:
        with listening() as stop:
            tools = Tools(bench, queue, hold, notifier, telling, heard, _now, left, by.board)
            return await Daemon(wish, tools, clock).work(stop)

    try:
        return run_real(main)
    finally:
        telling.close()


def _now() -> datetime:
    return datetime.now()  # noqa: TID251, DTZ005 (hours on the wall, by this machine's own zone)


def _stamp() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")  # noqa: TID251 (told to a person)


def _monotonic_ns() -> int:
    return time.monotonic_ns()
