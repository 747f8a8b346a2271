"""One instrument's session written down and replayed, with each fault its link may have: the same replies, the same
errors, at the same times of the bench's clock.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.errors import InstrumentError
from drivers.link import Link, LinkModel
from drivers.replay_link import Replay, ReplayDiffers
from drivers.tape import CAME, FIRST_LINE, Entry, entries, line_of
from sequencer.clock import run_real, run_virtual
from simulators.faults import LinkFault, LinkFaults
from simulators.server import InstrumentServer
from tests.wire.bench_of_one import GREETING
from tests.wire.text_panel import TextPanel

FAULTS = {
    "none": (),
    "silent": (LinkFault("silent", at_message=4),),
    "half a reply": (LinkFault("half", at_message=4),),
    "late": (LinkFault("late", at_message=4, for_s=0.7),),
    "dribble": (LinkFault("dribble", at_message=4, for_s=0.01),),
    "garbage": (LinkFault("garbage", at_message=4),),
    "surplus": (LinkFault("surplus", at_message=4),),
    "surplus later": (LinkFault("surplus", at_message=4, for_s=0.01),),
    "closed": (LinkFault("closed", at_message=6),),
    "reset": (LinkFault("reset", at_message=6),),
    "refused": (LinkFault("refused", at_message=6, for_s=0.5),),
    "frozen": (LinkFault("frozen", at_message=6, for_s=0.7),),
    "restart": (LinkFault("restart", at_message=6),),
}
Lines = list[str]


async def script(actor: Actor, clock: Any) -> list[tuple[int, str]]:
    """A little of everything; what came of each, and when."""
    found = []
    for act in (
        lambda: actor.ask("LEV?"),
        lambda: actor.tell("LEV 0.5"),
        lambda: actor.ask("LEV?"),
        lambda: actor.ask("LEV?", within_s=0.2),
        lambda: actor.tell("LEV 0.25", "LEV 0.125", urgent=True),
        lambda: clock.sleep(0.3),
        lambda: actor.ask_block("BLOCK 300?", most_bytes=1000),
        lambda: actor.ask("LEV?"),
    ):
        try:
            came = str(await act())
        except InstrumentError as error:
            came = f"{type(error).__name__}: {error}"
        found.append((clock.now_ns(), came))
    return found


class Kept:
    """The lines of a recording, in memory."""

    def __init__(self) -> None:
        self.lines: Lines = [FIRST_LINE + "\n"]
        self._check = 0

    def __call__(self, t_ns: int, who: str, sign: str, data: Any) -> None:
        whole = data if isinstance(data, bytes) else b"".join(data)
        line, self._check = line_of(Entry(t_ns, who, sign, whole), self._check)
        self.lines.append(line + "\n")


def recorded(faults: Sequence[LinkFault]) -> tuple[Lines, list[tuple[int, str]]]:
    kept = Kept()

    async def main(clock: Any) -> list[tuple[int, str]]:
        server = InstrumentServer(TextPanel(), clock, LinkFaults(tuple(faults)))
        await server.start()
        model = LinkModel("text", server.address, within_s=0.5)
        actor = Actor(model, GREETING, clock, Link(model, clock, kept))
        try:
            return await script(actor, clock)
        finally:
            await actor.close()
            await server.stop()
            await clock.turn()

    return kept.lines, run_virtual(main)


def replayed(lines: Lines) -> tuple[Replay, list[tuple[int, str]]]:
    replay = Replay(entries(lines))

    async def main(clock: Any) -> list[tuple[int, str]]:
        model = LinkModel("text", "TCPIP::192.0.2.1::5025::SOCKET", within_s=0.5)  # nobody has that address (RFC 5737)
        actor = Actor(model, GREETING, clock, replay.link(model, clock))
        try:
            return await script(actor, clock)
        finally:
            await actor.close()

    return replay, run_virtual(main)


@pytest.mark.parametrize("faults", FAULTS.values(), ids=FAULTS.keys())
def test_a_session_replays_with_its_faults(faults: Sequence[LinkFault]) -> None:
    lines, then = recorded(faults)
    replay, now = replayed(lines)
    assert now == then
    assert replay.difference is None
    assert replay.left() is None


def test_the_faults_struck() -> None:
    """Else the cases above would be one: the deadline ran out, the reply was garbled, the connection went."""
    seen = {name: {came.partition(":")[0] for _, came in recorded(faults)[1]} for name, faults in FAULTS.items()}
    assert not seen["none"] & {"LinkTimeout", "LinkClosed", "GarbledReply", "LinkRefused"}
    for name, kind in [
        ("silent", "LinkTimeout"),
        ("half a reply", "LinkTimeout"),
        ("late", "LinkTimeout"),
        ("garbage", "GarbledReply"),
        ("surplus", "GarbledReply"),
        ("closed", "LinkClosed"),
        ("reset", "LinkClosed"),
        ("frozen", "LinkTimeout"),
    ]:
        assert kind in seen[name], (name, seen[name])
    assert "LinkRefused" in seen["refused"]


def test_another_message_is_explained_with_what_was_recorded() -> None:
    lines, _ = recorded(())
    at = next(n for n, line in enumerate(lines) if "LEV 0.5" in line)
    lines[at] = lines[at].replace("0.5", "0.7")
    replay = Replay(entries(lines, trusted=True))

    async def main(clock: Any) -> None:
        model = LinkModel("text", "TCPIP::192.0.2.1::5025::SOCKET", within_s=0.5)
        actor = Actor(model, GREETING, clock, replay.link(model, clock))
        assert await actor.ask("LEV?") == "0"
        with pytest.raises(ReplayDiffers):
            await actor.tell("LEV 0.5")
        with pytest.raises(ReplayDiffers):  # and from then on
            await actor.ask("LEV?")
        await actor.close()

    run_virtual(main)
    said = str(replay.difference)
    assert f"text at 0.004000000 s (line {at + 1}): another message is sent now" in said
    assert "recorded : LEV 0.7\\n" in said
    assert "sent now : LEV 0.5\\n" in said
    assert "byte 7: '7' recorded, '5' sent now" in said


def test_a_session_on_the_real_clock_replays_on_a_clock_that_leaps() -> None:
    """What somebody else's bench said, on a machine without it: seconds of waiting cost none."""
    kept = Kept()

    async def main(clock: Any) -> list[tuple[int, str]]:
        server = InstrumentServer(TextPanel(), clock)
        await server.start()
        model = LinkModel("text", server.address, within_s=5.0)
        actor = Actor(model, GREETING, clock, Link(model, clock, kept))
        try:
            return await script(actor, clock)
        finally:
            await actor.close()
            await server.stop()

    then = run_real(main)
    replay, now = replayed(kept.lines)
    assert [came for _, came in now] == [came for _, came in then]
    assert replay.difference is None
    assert now[-1][0] == max(e.t_ns for e in entries(kept.lines) if e.sign == CAME)  # at the recorded pace


def test_two_tasks_on_the_real_clock_keep_their_recorded_order() -> None:
    """One asks on a grid, the other after work of its own that took time then and takes none now: the grid's question
    came first, and would come second."""

    async def asks(actor: Actor, clock: Any, work_s: float) -> list[str]:
        async def on_a_grid() -> str:
            await clock.sleep_until_ns(200_000_000)
            return await actor.ask("ASK grid?")

        async def after_work() -> str:
            await actor.ask("ASK first?")
            await asyncio.sleep(work_s) if work_s else None
            return await actor.ask("ASK work?")

        return list(await asyncio.gather(on_a_grid(), after_work()))

    kept = Kept()

    async def recorded_main(clock: Any) -> list[str]:
        server = InstrumentServer(TextPanel(), clock)
        await server.start()
        model = LinkModel("text", server.address, within_s=5.0)
        actor = Actor(model, GREETING, clock, Link(model, clock, kept))
        try:
            return await asks(actor, clock, 0.4)
        finally:
            await actor.close()
            await server.stop()

    assert run_real(recorded_main) == ["grid", "work"]
    assert [e.data for e in entries(kept.lines) if e.sign == ">"][-2:] == [b"ASK grid?\n", b"ASK work?\n"]
    replay = Replay(entries(kept.lines))

    async def replayed_main(clock: Any) -> list[str]:
        model = LinkModel("text", "TCPIP::192.0.2.1::5025::SOCKET", within_s=5.0)
        actor = Actor(model, GREETING, clock, replay.link(model, clock))
        try:
            return await asks(actor, clock, 0.0)
        finally:
            await actor.close()

    assert run_virtual(replayed_main) == ["grid", "work"]
    assert replay.difference is None
    assert replay.left() is None
