"""The queue in front of a link: order, deadlines, cancels, greeting, closing from any state.

Expected instants are sums: 1 ms a message, 20 ms pause before reopening.
"""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.errors import BrokenOff, GarbledReply, LinkTimeout, WrongIdentity
from drivers.link import LinkModel
from drivers.speaker import Greeting, Speaker
from sequencer.clock import VirtualClock, run_real, run_virtual
from simulators.faults import LinkFault
from simulators.panel import Wait
from simulators.server import InstrumentServer
from tests.wire.bench_of_one import GREETED_NS, GREETING, MS, one_instrument
from tests.wire.text_panel import TextPanel


def test_an_actor_is_a_speaker() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            speaker: Speaker = bench.actor
            assert (speaker.name, speaker.openings) == ("text", 0)
            assert speaker.clock is clock

    run_virtual(main)


def test_greeting_in_its_order_before_the_first_request() -> None:
    greeting = Greeting(opening=("HEAD OFF", "REM"), identity_begins="Example,text,")

    async def main(clock: VirtualClock) -> list[str]:
        async with one_instrument(clock, greeting=greeting) as bench:
            await bench.actor.tell("LEV 1")
            assert await bench.actor.ask("LEV?") == "1"
            return bench.panel.log

    assert run_virtual(main) == ["HEAD OFF", "REM", "*IDN?", "*CLS", "SYST:ERR?", "LEV 1", "LEV?"]


def test_a_wrong_identity_is_told_nothing_more() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, greeting=Greeting(identity_begins="Example,other,")) as bench:
            for _ in range(2):
                with pytest.raises(WrongIdentity, match="Example,text,0,1"):
                    await bench.actor.tell("LEV 5")
            assert bench.panel.log == ["*IDN?", "*IDN?"]
            assert bench.actor.openings == 0

    run_virtual(main)


def test_another_instrument_after_a_break_is_told_nothing_more() -> None:
    """Of the same model too: it is held against the one that answered first."""

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            bench.panel.waits["MUTE?"] = Wait(None)
            with pytest.raises(LinkTimeout):
                await bench.actor.ask("MUTE?")
            bench.panel.log.clear()
            bench.panel.name = "text,other"
            for _ in range(2):
                with pytest.raises(WrongIdentity, match="text,other,0,1' now, it was 'Example,text,0,1' before"):
                    await bench.actor.tell("LEV 5")
            assert bench.panel.log == ["*IDN?", "*IDN?"]
            bench.panel.name = "text"
            await bench.actor.tell("LEV 5")

    run_virtual(main)


def test_what_is_urgent_reaches_an_instrument_that_only_listens() -> None:
    """It takes commands and answers nothing any more: it is told off before it is greeted, though never confirmed."""

    async def main(clock: VirtualClock) -> list[str]:
        async with one_instrument(clock, LinkFault("silent", at_s=0.1, times=None)) as bench:
            await bench.actor.open()
            await clock.sleep(0.2)
            for urgent in (False, True):
                with pytest.raises(LinkTimeout):
                    await bench.actor.ask("ASK 1?", urgent=urgent)
            with pytest.raises(LinkTimeout):
                await bench.actor.tell("LEV 1")
            with pytest.raises(LinkTimeout):
                await bench.actor.tell("LEV 0", urgent=True)
            return bench.panel.log

    log = run_virtual(main)
    assert "LEV 0" in log
    assert "LEV 1" not in log


@pytest.mark.parametrize(("entries", "good"), [(0, True), (3, True), (19, True), (20, False)])
def test_the_error_queue_is_drained_up_to_its_cap(entries: int, good: bool) -> None:
    """Twenty readings at most, the last of which must be 0: nineteen entries pass, twenty do not."""
    left = [entries]

    def errors(message: str, reply: bytes) -> bytes:
        if message != "SYST:ERR?" or left[0] == 0:
            return reply
        left[0] -= 1
        return b'-113,"Undefined header"\n'

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, rewrite=errors) as bench:
            if not good:
                with pytest.raises(GarbledReply, match="-113"):
                    await bench.actor.open()
                return
            await bench.actor.open()
            assert bench.actor.drained == ('-113,"Undefined header"',) * entries

    run_virtual(main)


def test_each_message_of_a_tell_is_an_exchange_of_its_own() -> None:
    async def main(clock: VirtualClock) -> list[tuple[int, str]]:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            await bench.actor.tell("LEV 1", "LEV 2")
            await bench.actor.ask("LEV?")
            return [(ns - GREETED_NS, message) for ns, _, message, _ in bench.journal[3:]]

    assert run_virtual(main) == [(MS, "LEV 1"), (2 * MS, "LEV 2"), (3 * MS, "LEV?")]


def test_urgent_requests_go_before_all_that_wait_and_the_rest_in_order() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            tasks = [asyncio.create_task(bench.actor.ask(f"ASK {i}?")) for i in range(3)]
            await clock.turn()
            tasks.append(asyncio.create_task(bench.actor.tell("OFF", urgent=True)))
            tasks.append(asyncio.create_task(bench.actor.ask("ASK off?", urgent=True)))  # type: ignore[arg-type]
            await asyncio.gather(*tasks)
            return bench.panel.log[3:]

    assert run_virtual(main) == ["ASK 0?", "OFF", "ASK off?", "ASK 1?", "ASK 2?"]


def test_the_deadline_does_not_count_waiting_in_the_queue() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, within_s=0.5) as bench:
            answers = await asyncio.gather(*(bench.actor.ask("TAKE 0.4 ?") for _ in range(5)))
            assert len(answers) == 5
            assert clock.now_ns() == GREETED_NS + 5 * 400 * MS

    run_virtual(main)


def test_a_deadline_of_its_own() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, within_s=0.5) as bench:
            await bench.actor.open()
            assert await bench.actor.ask("TAKE 2.0 ?", within_s=3.0) is not None
            begun_ns = clock.now_ns()
            with pytest.raises(LinkTimeout):
                await bench.actor.ask("TAKE 2.0 ?", within_s=0.1)
            assert clock.now_ns() - begun_ns == 100 * MS

    run_virtual(main)


def test_only_the_request_that_failed_raises_and_nothing_is_sent_twice() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("silent", at_message=2, begins="ASK")) as bench:
            tasks = [asyncio.create_task(bench.actor.ask(f"ASK {i}?")) for i in range(4)]
            await asyncio.wait(tasks)
            assert [type(task.exception()) for task in tasks] == [
                type(None),
                LinkTimeout,
                type(None),
                type(None),
            ]
            assert [message for message in bench.panel.log if "ASK" in message] == [f"ASK {i}?" for i in range(4)]

    run_virtual(main)


def test_a_cancelled_request_that_waited_is_never_sent() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            first, second = (asyncio.create_task(bench.actor.ask(f"ASK {i}?")) for i in range(2))
            await clock.turn()
            second.cancel()
            assert await first == "0"
            await bench.actor.ask("ASK 3?")
            assert "ASK 1?" not in bench.panel.log
            assert bench.actor.openings == 1

    run_virtual(main)


def test_a_cancelled_exchange_leaves_a_new_link_behind_it() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            task = asyncio.create_task(bench.actor.ask("TAKE 0.1 ?"))
            await clock.sleep(0.05)
            cancelled_ns = clock.now_ns()
            task.cancel()
            await asyncio.wait([task])
            assert task.cancelled()
            assert clock.now_ns() == cancelled_ns
            assert await bench.actor.ask("ASK 1?") == "1"
            # The instrument is busy to the end of the question nobody waits for; then greeting and question.
            assert clock.now_ns() == GREETED_NS + (100 + 3 + 1) * MS
            assert bench.actor.openings == 2

    run_virtual(main)


def test_breaking_off_makes_way_for_something_urgent() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("silent", at_message=1, begins="ASK")) as bench:
            await bench.actor.open()
            task = asyncio.create_task(bench.actor.ask("ASK 1?"))
            await clock.sleep(0.1)
            bench.actor.break_in_flight()
            await bench.actor.tell("OFF", urgent=True)
            assert clock.now_ns() == GREETED_NS + (100 + 20 + 1 + 3) * MS  # OFF, then the greeting
            with pytest.raises(BrokenOff):
                await task
            bench.actor.break_in_flight()  # nothing runs: nothing happens
            assert await bench.actor.ask("ASK 2?") == "2"

    run_virtual(main)


async def _idle(clock: Any, actor: Actor) -> None: ...


async def _open(clock: Any, actor: Actor) -> None:
    await actor.open()


async def _opening(clock: Any, actor: Actor) -> None:
    _later(actor.open())
    await clock.turn()


async def _in_flight(clock: Any, actor: Actor) -> None:
    await actor.open()
    _later(actor.ask("TAKE 0.2 ?"))
    _later(actor.ask("ASK 1?"))
    await clock.sleep(0.01)


async def _broken(clock: Any, actor: Actor) -> None:
    await _in_flight(clock, actor)
    actor.break_in_flight()


async def _after_a_failure(clock: Any, actor: Actor) -> None:
    with pytest.raises(LinkTimeout):
        await actor.ask("TAKE 5 ?", within_s=0.06)


async def _in_the_pause(clock: Any, actor: Actor) -> None:
    await _after_a_failure(clock, actor)
    _later(actor.ask("ASK 1?"))
    await clock.sleep(0.005)


_tasks: list[asyncio.Task[Any]] = []


def _later(exchange: Any) -> None:
    _tasks.append(asyncio.create_task(exchange))


@pytest.mark.parametrize("run", [run_virtual, run_real])
@pytest.mark.parametrize("state", [_idle, _open, _opening, _in_flight, _broken, _after_a_failure, _in_the_pause])
def test_closing_from_any_state_ends_all_and_leaves_nothing(state: Any, run: Any) -> None:
    """The bench itself proves that threads and descriptors are as before."""

    async def main(clock: Any) -> None:
        _tasks.clear()
        async with one_instrument(clock) as bench:
            await state(clock, bench.actor)
            await bench.actor.close()
            await bench.actor.close()
            for task in _tasks:
                with pytest.raises(BrokenOff):
                    await task
            with pytest.raises(BrokenOff):
                await bench.actor.ask("ASK 1?")

    run(main)


def test_an_actor_left_open_in_an_error_does_not_hold_up_the_end() -> None:
    """Two cancels meet in its task then: its caller's and the loop's."""

    async def main(clock: VirtualClock) -> None:
        server = InstrumentServer(TextPanel(), clock)
        await server.start()
        actor = Actor(LinkModel("text", server.address), GREETING, clock)
        try:
            await actor.open()
            task = asyncio.create_task(actor.ask("TAKE 1 ?"))
            await clock.sleep(0.01)
            assert not task.done()
            raise ZeroDivisionError
        finally:
            server._close_listener()  # only to leave no descriptor to the next test

    with pytest.raises(ZeroDivisionError):
        run_virtual(main)
