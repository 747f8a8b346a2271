"""`nightramp listen --keep` as a process of its own, killed (SIGKILL) while messages flow through a real Mosquitto, and
started again each time. Truth: the ledger's own numbers. A broker drops what was acknowledged (MQTT 3.1.1, 4.3.2, from
memory), so what a killed consumer had in memory alone is gone there, and must be asked for.
"""

from __future__ import annotations

import asyncio
import json
import random
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from sequencer.publish.broker_url import Broker
from tests.processes.broker import real_broker
from tests.processes.consumer import BENCH, telling, until
from tests.processes.simulated import LIMIT_S, environment

pytestmark = pytest.mark.process
KILLS, A_TURN = 4, 50
A_MOMENT_S = 0.03  # between two rows: they flow all the time


class Life:
    """One process of the consumer. shown: numbers of the rows that it has shown, in order."""

    def __init__(self, folder: Path, url: str, number: int, *words: str) -> None:
        self._out = folder / f"life-{number}.jsonl"
        told = [sys.executable, "-P", "-m", "sequencer", "listen", url, "--bench", BENCH, "--json"]
        with self._out.open("wb") as out, (folder / f"life-{number}.err").open("wb") as err:
            keep = ["--keep", str(folder / "heard.jsonl")]
            self._process = subprocess.Popen([*told, *keep, *words], stdout=out, stderr=err, env=environment(folder))
        self._err = folder / f"life-{number}.err"

    @property
    def is_ready(self) -> bool:
        assert self._process.poll() is None, self.said
        return "listening at" in self.said

    @property
    def said(self) -> str:
        return self._err.read_text()

    @property
    def shown(self) -> list[int]:
        """Its last line may be half a one."""
        return [seq for line in self._out.read_bytes().split(b"\n")[:-1] if (seq := json.loads(line)["seq"])]

    def end(self, number: signal.Signals) -> int:
        self._process.send_signal(number)
        return self._process.wait(LIMIT_S)

    async def ends_by_itself(self) -> int:
        return await asyncio.to_thread(self._process.wait, LIMIT_S)


def kept(path: Path) -> list[int]:
    return [json.loads(line)["seq"] for line in path.read_bytes().split(b"\n")[:-1]]


def in_order(shown: list[int]) -> bool:
    return shown == sorted(set(shown))


async def test_killed_in_the_middle_it_has_each_row_once_and_none_is_lost(tmp_path: Path) -> None:
    """At each death everything that the ledger calls confirmed stands in the consumer's file."""
    chance, deaths = random.Random(20260412), 0
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with telling(tmp_path, Broker("127.0.0.1", broker.port)) as told:

            async def keep_on(rows: int) -> None:
                for _ in range(rows):
                    await told.keep(1)
                    await asyncio.sleep(A_MOMENT_S)

            for number in range(KILLS):
                life = Life(tmp_path, broker.url, number)
                await until(lambda life=life: life.is_ready)  # type: ignore[misc]
                flowing = asyncio.create_task(keep_on(A_TURN))
                await asyncio.sleep(chance.uniform(0.3, 1.0) * A_TURN * A_MOMENT_S)
                assert life.end(signal.SIGKILL) == -signal.SIGKILL, life.said
                before = await confirmed(told.desk)
                assert before <= set(kept(tmp_path / "heard.jsonl"))
                assert in_order(life.shown)
                deaths += number * A_TURN < len(before) < number * A_TURN + A_TURN
                await flowing
            total = KILLS * A_TURN + 1
            last = Life(tmp_path, broker.url, KILLS, "--until-end")
            await until(lambda: last.is_ready)
            await told.keep(1)
            await until(lambda: total in last.shown)
            await told.done()
            assert await last.ends_by_itself() == 0, last.said
            assert await told.counts() == {"pending": 0, "sent": 0, "confirmed": total}
    assert f"{total} messages, " in last.said
    assert " 0 missing" in last.said
    assert in_order(last.shown)
    found = kept(tmp_path / "heard.jsonl")
    assert len(found) == len(set(found))
    assert sorted(found) == list(range(1, total + 1))
    assert deaths >= 1  # in the middle of a turn: something of it was confirmed, and not all
    print(f"\n{KILLS} kills, {deaths} of them in the middle: {last.said.splitlines()[-1]}")


async def confirmed(desk: Any) -> set[int]:
    return {one.seq for one in await desk.book.do(desk.ledger.outbox) if one.state == "confirmed"}
