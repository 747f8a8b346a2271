"""What all simulated fronts share: messages of several commands, error queue, event register, identity."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import lru_cache

from simulators.panel import Wait
from simulators.panels.tree import TEXTS, Call, Command, Found, Position, Refused, Reply, Tree, Unit, units

POWER_ON, COMMAND_ERROR, EXECUTION_ERROR, OPERATION_DONE = 128, 32, 16, 1
QUEUE_DEPTH = 20


@dataclass
class _Progress:
    """A message under way; a blocking query leaves the rest of it for later."""

    message: str
    todo: deque[tuple[Unit, tuple[str, ...]]]
    replies: list[bytes]
    freed: bool = False


class Front:
    """Base of the panels: sync, on times handed in. Subclasses add commands and `reset`."""

    message_s = 0.001
    terminator = b"\n"

    def __init__(self, name: str, identity: str) -> None:
        self._name, self._identity = name, identity
        self.tree = Tree()
        self._errors: deque[int] = deque()
        self._events = POWER_ON
        self._watched = False
        self._progress: _Progress | None = None
        self._add_common()

    @property
    def name(self) -> str:
        return self._name

    # For the server

    def cost_s(self, message: str) -> float:
        """Commands with a duration of their own take it; all others of a message share one `message_s`."""
        lasting = [self._lasts_s(unit, nodes) for unit, nodes in _placed(message)]
        return sum(lasting) + (self.message_s if not all(lasting) or not lasting else 0.0)

    def execute(self, message: str, now_ns: int) -> bytes | Wait | None:
        self._before(now_ns)
        progress = self._taken_up(message)
        if progress is None:
            return None
        while progress.todo:
            unit, nodes = progress.todo[0]
            later_s = sum(self._lasts_s(u, n) for u, n in list(progress.todo)[1:])
            outcome = self._carry_out(unit, nodes, now_ns, now_ns - round(later_s * 1e9))
            if isinstance(outcome, Wait):
                self._progress = None if outcome.until_ns is None else progress
                return outcome
            progress.todo.popleft()
            if outcome is not None:
                progress.replies.append(outcome.encode("latin-1") if isinstance(outcome, str) else outcome)
        self._progress = None
        return b";".join(progress.replies) + self.terminator if progress.replies else None

    def connected(self) -> None:
        """Nothing blocks across a new connection."""
        if self._progress is not None:
            self._progress.freed = self._blocks_for_ever

    # For the bench

    def restart(self, now_ns: int) -> None:
        """As after switching it off and on."""
        self._errors.clear()
        self._events, self._watched, self._progress = POWER_ON, False, None
        self.reset(now_ns)

    def reset(self, now_ns: int) -> None:
        """`*RST`."""
        raise NotImplementedError

    def clear(self) -> None:
        """`*CLS` beyond queue and event register."""

    def wait(self, now_ns: int) -> Wait | None:
        """What `*OPC?` waits for; None: nothing."""
        return None

    def _before(self, now_ns: int) -> None:
        """Anything to bring up to date before a message."""

    _blocks_for_ever = False  # whether what it waits for may never come

    # Commands

    def _add_common(self) -> None:
        def add(header: str, command: Command) -> None:
            self.tree.add(header, command)

        add("*IDN", Command(query=lambda _: self._identity))
        add("*RST", Command(set=lambda call: self.reset(call.now_ns), takes=0))
        add("*CLS", Command(set=lambda _: self._clear_status(), takes=0))
        add("*ESR", Command(query=self._take_events))
        add("*OPC", Command(set=self._watch, query=self._done, takes=0))
        add("SYSTem:ERRor[:NEXT]", Command(query=lambda _: self._next_error()))

    def _clear_status(self) -> None:
        self._errors.clear()
        self._events, self._watched = 0, False
        self.clear()

    def _take_events(self, call: Call) -> str:
        if self._watched and self.wait(call.now_ns) is None:
            self._events |= OPERATION_DONE
            self._watched = False
        events, self._events = self._events, 0
        return str(events)

    def _watch(self, _call: Call) -> None:
        self._watched = True

    def _done(self, call: Call) -> Reply:
        return self.wait(call.now_ns) or "1"

    def _next_error(self) -> str:
        found = self._errors.popleft() if self._errors else 0
        return f'{found},"{TEXTS[found]}"'

    def _queue(self, error: int) -> None:
        self._events |= COMMAND_ERROR if error > -200 else EXECUTION_ERROR
        if len(self._errors) < QUEUE_DEPTH:
            self._errors.append(error)
        else:
            self._errors[-1] = -350

    # A message

    def _taken_up(self, message: str) -> _Progress | None:
        """A new message, or the one that was waiting; None for one that a new connection has freed."""
        before, self._progress = self._progress, None
        if before is None or before.message != message:
            return _Progress(message, deque(_placed(message)), [])
        return None if before.freed else before

    def _carry_out(self, unit: Unit, nodes: tuple[str, ...], now_ns: int, window_end_ns: int) -> Reply | None:
        try:
            found = self.tree.find(nodes)
            return self._call(found, unit, Call(now_ns, found.suffixes, unit.args, window_end_ns))
        except Refused as refused:
            self._queue(refused.number)
            return None

    @staticmethod
    def _call(found: Found, unit: Unit, call: Call) -> Reply | None:
        command = found.command
        if (command.query if unit.query else command.set) is None:
            raise Refused(-113)
        takes = command.query_takes if unit.query else command.takes
        if takes is not None and len(unit.args) != takes:
            raise Refused(-109 if len(unit.args) < takes else -108)
        if unit.query:
            return command.query(call) if command.query else None
        return command.set(call) if command.set else None

    def _lasts_s(self, unit: Unit, nodes: tuple[str, ...]) -> float:
        try:
            command = self.tree.find(nodes).command
        except Refused:
            return 0.0
        return command.lasts_s(unit.args) if command.lasts_s and unit.query else 0.0


@lru_cache(maxsize=512)
def _placed(message: str) -> tuple[tuple[Unit, tuple[str, ...]], ...]:
    """The commands of a message with their full nodes. The same messages come all night."""
    position = Position()
    return tuple((unit, tuple(position.moved(unit.header))) for unit in units(message))
