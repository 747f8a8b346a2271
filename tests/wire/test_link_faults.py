"""Every fault of a link ends with a named error at its exact nanosecond, and the next answer belongs to its
question.

Expected instants are sums of declared durations: 1 ms a message, 0.5 s deadline, 20 ms pause before reopening,
three messages of greeting. A reply exactly at its deadline is in time.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass

import pytest

from drivers.errors import GarbledReply, GuardExpired, InstrumentError, LinkClosed, LinkRefused, LinkTimeout
from sequencer.clock import Pace, TimeStuck, VirtualClock, run_real, run_virtual
from simulators.faults import LinkFault
from tests.wire.bench_of_one import GREETED_NS, MS, one_instrument

FIRST = "ASK 123456789?"  # ten bytes of reply


@dataclass(frozen=True)
class Ending:
    """What a fault ends in. Times in ms after the first question; `answered_ms`: when the next question has its
    answer.
    """

    error: type[InstrumentError]
    error_ms: int
    answered_ms: int


REOPENED_MS = 20 + 3 + 1  # pause, greeting, the next question itself

ENDINGS = {
    "silent": (LinkFault("silent", at_message=1, begins="ASK"), Ending(LinkTimeout, 500, 500 + REOPENED_MS)),
    "half": (LinkFault("half", at_message=1, begins="ASK"), Ending(LinkTimeout, 500, 500 + REOPENED_MS)),
    # busy until 1 + 700 ms: the greeting of the new link queues behind it
    "late": (LinkFault("late", at_message=1, begins="ASK", for_s=0.7), Ending(LinkTimeout, 500, 701 + 4)),
    "frozen": (LinkFault("frozen", at_message=1, begins="ASK", for_s=0.7), Ending(LinkTimeout, 500, 701 + 4)),
    # one byte each 100 ms: nine gaps, then the greeting
    "dribble": (
        LinkFault("dribble", at_message=1, begins="ASK", for_s=0.1),
        Ending(LinkTimeout, 500, 901 + 4),
    ),
    "babble": (LinkFault("babble", at_message=1, begins="ASK", for_s=0.8), Ending(LinkTimeout, 500, 801 + 4)),
    "garbage": (LinkFault("garbage", at_message=1, begins="ASK"), Ending(GarbledReply, 1, 1 + REOPENED_MS)),
    "surplus": (LinkFault("surplus", at_message=1, begins="ASK"), Ending(GarbledReply, 1, 1 + REOPENED_MS)),
    "closed": (LinkFault("closed", at_message=1, begins="ASK"), Ending(LinkClosed, 1, 1 + REOPENED_MS)),
    "reset": (LinkFault("reset", at_message=1, begins="ASK"), Ending(LinkClosed, 1, 1 + REOPENED_MS)),
    "restart": (LinkFault("restart", at_message=1, begins="ASK"), Ending(LinkClosed, 1, 1 + REOPENED_MS)),
    "closed between": (LinkFault("closed", at_s=0.0505), Ending(LinkClosed, 0, REOPENED_MS)),
}


@pytest.mark.parametrize("name", ENDINGS)
def test_fault_ends_at_its_nanosecond_and_the_next_answer_is_right(name: str) -> None:
    fault, expected = ENDINGS[name]

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, fault) as bench:
            await bench.actor.open()
            assert clock.now_ns() == GREETED_NS
            await clock.sleep_until_ns(100 * MS)
            with pytest.raises(expected.error):
                await bench.actor.ask(FIRST)
            assert clock.now_ns() - 100 * MS == expected.error_ms * MS
            assert await bench.actor.ask("ASK 2?") == "2"
            assert clock.now_ns() - 100 * MS == expected.answered_ms * MS
            assert bench.actor.identity == "Example,text,0,1"
            assert bench.actor.openings == 2

    run_virtual(main)


@pytest.mark.parametrize("name", ENDINGS)
def test_a_fault_costs_little_real_time(name: str) -> None:
    """No simulated fault waits for a real time-out: a hundred times the usual 5 ms would still pass, a 60 s guard
    not.
    """
    begun_s = time.monotonic()
    test_fault_ends_at_its_nanosecond_and_the_next_answer_is_right(name)
    assert time.monotonic() - begun_s < 5.0


def test_after_a_late_reply_a_hundred_answers_belong_to_their_questions() -> None:
    """The trap of raw sockets: the stale reply answers the next question, and all later ones are off by one."""

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("late", at_message=3, begins="ASK", for_s=0.6)) as bench:
            failed = []
            for i in range(100):
                try:
                    assert await bench.actor.ask(f"ASK {i}?") == str(i)
                except LinkTimeout:
                    failed.append(i)
            assert failed == [2]

    run_virtual(main)


def test_a_reply_exactly_at_its_deadline_is_in_time_and_a_nanosecond_later_is_not() -> None:
    async def main(clock: VirtualClock, delay_s: float) -> str:
        async with one_instrument(clock, LinkFault("late", at_message=1, begins="ASK", for_s=delay_s)) as bench:
            await bench.actor.open()
            try:
                return await bench.actor.ask("ASK 1?")
            except LinkTimeout:
                return "late"

    assert run_virtual(lambda clock: main(clock, 0.499)) == "1"
    assert run_virtual(lambda clock: main(clock, 0.499000001)) == "late"


def test_a_dribble_in_time_is_a_good_reply() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("dribble", at_message=1, begins="ASK", for_s=0.01)) as bench:
            await bench.actor.open()
            assert await bench.actor.ask(FIRST) == "123456789"
            assert clock.now_ns() == GREETED_NS + (1 + 9 * 10) * MS

    run_virtual(main)


def test_two_hundred_silent_replies_in_a_row() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("silent", at_message=1, begins="ASK", times=None)) as bench:
            for _ in range(200):
                begun_ns = clock.now_ns()
                with pytest.raises(LinkTimeout):
                    await bench.actor.ask("ASK 1?")
                assert clock.now_ns() - begun_ns == 500 * MS

    run_virtual(main)


def test_surplus_that_comes_later_is_found_before_the_next_question_is_sent() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("surplus", at_message=1, begins="ASK", for_s=0.05)) as bench:
            assert await bench.actor.ask("ASK 1?") == "1"
            await clock.sleep(0.1)
            with pytest.raises(GarbledReply, match="surplus"):
                await bench.actor.ask("ASK 2?")
            assert "ASK 2?" not in bench.panel.log
            assert await bench.actor.ask("ASK 3?") == "3"

    run_virtual(main)


def test_surplus_in_the_midst_of_the_next_question_is_no_answer_to_it() -> None:
    """Unprintable surplus while a slow reply is awaited: the exchange fails at the surplus's own instant."""

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("surplus", at_message=1, begins="ASK", for_s=0.05)) as bench:
            await bench.actor.ask("ASK 1?")
            begun_ns = clock.now_ns()
            with pytest.raises(GarbledReply):
                await bench.actor.ask("TAKE 0.4 ?")
            assert clock.now_ns() - begun_ns == 50 * MS
            assert await bench.actor.ask("ASK 3?") == "3"

    run_virtual(main)


def test_refused_is_named_until_the_instrument_listens_again() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("refused", at_s=0.1, for_s=1.0)) as bench:
            await bench.actor.open()
            await clock.sleep_until_ns(200 * MS)
            with pytest.raises(LinkClosed):
                await bench.actor.ask("ASK 1?")
            for _ in range(3):
                begun_ns = clock.now_ns()
                with pytest.raises(LinkRefused):
                    await bench.actor.ask("ASK 1?")
                assert clock.now_ns() - begun_ns == 20 * MS
            await clock.sleep_until_ns(1101 * MS)
            assert await bench.actor.ask("ASK 1?") == "1"

    run_virtual(main)


def test_a_restart_loses_settings_and_the_count_of_openings_tells() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("restart", at_s=0.1)) as bench:
            await bench.actor.tell("LEV 7")
            assert await bench.actor.ask("LEV?") == "7"
            await clock.sleep_until_ns(200 * MS)
            with pytest.raises(LinkClosed):
                await bench.actor.ask("LEV?")
            assert await bench.actor.ask("LEV?") == "0"
            assert bench.actor.openings == 2

    run_virtual(main)


def test_frozen_between_questions_answers_late() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, LinkFault("frozen", at_s=0.1, for_s=0.3)) as bench:
            await bench.actor.open()
            await clock.sleep_until_ns(200 * MS)
            assert await bench.actor.ask("ASK 1?") == "1"
            assert clock.now_ns() == 400 * MS

    run_virtual(main)


def test_an_exchange_parked_for_an_hour_beside_a_watch_passes() -> None:
    async def main(clock: VirtualClock) -> None:
        async with (
            one_instrument(clock, within_s=4000.0) as bench,
            one_instrument(clock, counted=False) as watched,
        ):
            await bench.actor.open()
            slow = bench.actor.ask("TAKE 3600 ?")

            async def watch() -> None:
                for i in range(1800):
                    assert await watched.actor.ask(f"ASK {i}?") == str(i)
                    await clock.sleep(1.0)

            tasks = asyncio.create_task(slow), asyncio.create_task(watch())
            await asyncio.gather(*tasks)
            assert clock.now_ns() == GREETED_NS + 3600 * 1000 * MS

    run_virtual(main)


def test_a_simulator_that_never_acknowledges_ends_the_run_and_is_named() -> None:
    ports: list[object] = []

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            clock.received = lambda port, count: ports.append(port)  # type: ignore[method-assign]
            await bench.actor.ask("ASK 1?")

    with pytest.raises(TimeStuck) as caught:
        run_virtual(main, pace=Pace(watchdog_s=0.2))
    assert str(ports[0]) in str(caught.value)


def test_a_simulator_that_says_it_replied_but_did_not_is_no_instrument_fault() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(
            clock, rewrite=lambda message, reply: b"" if "ASK" in message else reply, guard_s=0.1
        ) as bench:
            await bench.actor.ask("ASK 1?")

    with pytest.raises(GuardExpired):
        run_virtual(main)


def test_a_forgotten_line_end_runs_into_the_deadline_instead_of_freezing_time() -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, message_end=b"") as bench:
            with pytest.raises(LinkTimeout):
                await bench.actor.open()
            assert clock.now_ns() == 500 * MS

    run_virtual(main)


@pytest.mark.parametrize("kind", ["silent", "late", "refused", "closed"])
def test_faults_on_the_real_clock(kind: str) -> None:
    """The same named errors without virtual time; only lower bounds of durations are certain."""
    fault = {
        "silent": LinkFault("silent", at_message=1, begins="ASK"),
        "late": LinkFault("late", at_message=1, begins="ASK", for_s=0.3),
        "refused": LinkFault("refused", at_message=1, begins="ASK", for_s=0.3),
        "closed": LinkFault("closed", at_message=1, begins="ASK"),
    }[kind]

    async def main(clock: object) -> None:
        async with one_instrument(clock, fault, within_s=0.2) as bench:
            await bench.actor.open()
            with pytest.raises(LinkTimeout if kind in ("silent", "late") else LinkClosed):
                await bench.actor.ask("ASK 1?")
            answers = []
            for i in range(40):
                try:
                    answers.append((i, await bench.actor.ask(f"ASK {i}?")))
                except LinkRefused:
                    assert kind == "refused"
                except LinkTimeout:
                    assert kind == "late"
            assert answers
            assert all(str(i) == answer for i, answer in answers)

    run_real(main)
