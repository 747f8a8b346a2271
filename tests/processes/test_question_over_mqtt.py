"""A question asked by `run --commands` with nobody at its terminal, answered over a real Mosquitto by somebody else."""

from __future__ import annotations

import asyncio
import json
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from sequencer.errors import EXIT_DONE, EXIT_REFUSED
from tests.processes.asking import ASKS
from tests.processes.broker import RealBroker
from tests.processes.simulated import LIMIT_S, UNPROVED, Simulated, command, environment, simulated

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    with simulated(tmp_path_factory.mktemp("bench"), "") as one:
        yield one


async def answered(port: int, word: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The question that came, and the replies to a wrong answer, to `word`, and to `word` once more."""
    replies: list[dict[str, Any]] = []
    async with aiomqtt.Client("127.0.0.1", port, identifier="foreman") as client:
        await client.subscribe("nightramp/1/workshop/+", qos=1)
        messages = aiter(client.messages)

        async def next_on(topic: str) -> dict[str, Any]:
            while not str((message := await anext(messages)).topic).endswith(topic):
                pass
            return dict(json.loads(bytes(message.payload)))  # type: ignore[arg-type]

        async with asyncio.timeout(LIMIT_S):
            question = await next_on("/question")
            for number, said in enumerate(("perhaps", word, word)):
                now = datetime.now(UTC)
                body = {"schema_name": "nightramp.command", "schema_version": 1, "id": f"a{number}", "kind": "answer"}
                body |= {"time": now.isoformat(), "expires": (now + timedelta(minutes=1)).isoformat()}
                body |= {"to": question["id"], "answer": said}
                await client.publish("nightramp/1/workshop/command", json.dumps(body), qos=1)
                replies.append(await next_on("/reply"))
    return question, replies


@pytest.mark.parametrize(("word", "outcome"), [("done", "measured"), ("no", "not_measured")])
def test_a_question_is_answered_from_afar(bench: Simulated, tmp_path: Path, word: str, outcome: str) -> None:
    (tmp_path / "asks.toml").write_text(ASKS)
    (tmp_path / "broker").mkdir()
    broker = RealBroker(tmp_path / "broker")
    broker.up()
    words = ["run", str(tmp_path / "asks.toml"), "--bench", str(bench.bench), "--unit", "ferry_pa_60"]
    words += ["--out", str(tmp_path / "night"), "--armed-by", "the workshop", *UNPROVED]
    words += ["--broker", f"mqtt://127.0.0.1:{broker.port}", "--commands"]
    process = subprocess.Popen(
        command(*words),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent),
    )
    try:
        question, replies = asyncio.run(answered(broker.port, word))
        said, _ = process.communicate(timeout=LIMIT_S)
    finally:
        process.kill()
        process.communicate()
        broker.down()
    assert process.returncode == EXIT_DONE, said
    assert "bass and treble to the middle" in question["sentence"]
    assert question["answers"] == ["done", "no"]
    assert [one["outcome"] for one in replies] == ["refused", "done", "refused"]
    (run,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
    assert [point["outcome"] for point in run["points"]] == [outcome]


def test_commands_want_a_broker(bench: Simulated, tmp_path: Path) -> None:
    words = ["run", "first", "--bench", str(bench.bench), "--unit", "ferry_pa_60", "--out", str(tmp_path / "night")]
    done = subprocess.run(
        command(*words, "--armed-by", "us", *UNPROVED, "--commands"),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        env=environment(bench.log.parent),
    )
    assert done.returncode == EXIT_REFUSED
    assert "--commands" in done.stderr
    assert not (tmp_path / "night").exists()
