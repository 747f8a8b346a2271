"""`serve --commands` with a real Mosquitto: told, queued, held, stopped from afar; and deaf where it was not asked."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from sequencer.errors import EXIT_DONE
from tests.processes.broker import RealBroker
from tests.processes.simulated import LIMIT_S, Simulated, simulated
from tests.processes.test_serve import serving, status

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    with simulated(tmp_path_factory.mktemp("bench"), "", "--unit", "ferry_pa_60_aft") as one:
        yield one


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    one = RealBroker(tmp_path)
    one.up()
    yield one
    one.down()


def wanted(kind: str, number: int, **more: Any) -> bytes:
    now = datetime.now(UTC)
    body = {"schema_name": "nightramp.command", "schema_version": 1, "id": f"c{number}", "time": now.isoformat()}
    body |= {"kind": kind, "expires": (now + timedelta(minutes=5)).isoformat()} | more
    return json.dumps(body).encode()


async def replied(port: int, name: str, *commands: bytes, limit_s: float = LIMIT_S) -> list[dict[str, Any]]:
    """A reply to each, one after the other; None where nobody replies within the limit."""
    found: list[dict[str, Any]] = []
    async with aiomqtt.Client("127.0.0.1", port, identifier="office") as client:
        await client.subscribe(f"nightramp/1/{name}/reply", qos=1)
        await client.subscribe(f"nightramp/1/{name}/status", qos=1)
        messages = aiter(client.messages)
        async with asyncio.timeout(limit_s):
            while not str((first := await anext(messages)).topic).endswith("/status") or b"offline" in first.payload:  # type: ignore[operator]
                pass
            for command in commands:
                await client.publish(f"nightramp/1/{name}/command", command, qos=1)
                while not str((message := await anext(messages)).topic).endswith("/reply"):
                    pass
                found.append(json.loads(bytes(message.payload)))  # type: ignore[arg-type]
    return found


def test_queued_held_and_stopped_from_afar(bench: Simulated, tmp_path: Path, broker: RealBroker) -> None:
    ledger = tmp_path / "nights"
    url = f"mqtt://127.0.0.1:{broker.port}"
    process = serving(bench, ledger, "--broker", url, "--commands", "--window", _closed())
    try:
        replies = asyncio.run(
            replied(
                broker.port,
                "workshop",
                wanted("queue", 1, what="first ferry_pa_60_aft"),
                wanted("hold", 2),
                wanted("queue", 3, what="/etc/passwd ferry_pa_60_aft"),
                wanted("answer", 4, to="nothing", answer="done"),
                wanted("stop", 5),
            )
        )
        assert process.wait(LIMIT_S) == EXIT_DONE
    finally:
        process.kill()
        process.communicate()
    assert [one["outcome"] for one in replies] == ["done", "done", "refused", "refused", "done"]
    assert [one["of"] for one in replies] == ["c1", "c2", "c3", "c4", "c5"]
    assert status(bench, "--ledger", str(ledger))["queue"]["held"] == 1
    assert "OUTP ON" not in bench.log.read_text(), "nothing was energised"


def test_without_the_word_commands_change_nothing(bench: Simulated, tmp_path: Path, broker: RealBroker) -> None:
    ledger = tmp_path / "nights"
    process = serving(bench, ledger, "--broker", f"mqtt://127.0.0.1:{broker.port}", "--window", _closed())
    try:
        replies = asyncio.run(replied(broker.port, "workshop", wanted("stop", 1), wanted("queue", 2, what="first x")))
        assert process.poll() is None
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=LIMIT_S)
    assert process.returncode == EXIT_DONE
    assert [one["outcome"] for one in replies] == ["refused", "refused"]


def _closed() -> str:
    """Hours that begin three hours from now: nothing is taken."""
    begins = datetime.now() + timedelta(hours=3)  # noqa: DTZ005 (by the clock on the wall, as `serve` has it)
    return f"{begins:%H:%M}-{begins + timedelta(hours=1):%H:%M}"
