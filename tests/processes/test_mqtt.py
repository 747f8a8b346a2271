"""Rehearsals that publish to a real Mosquitto: what arrives, what is said, and that no broker changes a night.

Truths: the night's own messages.jsonl for what must arrive; a night without a broker for its results; MQTT 3.1.1
(OASIS, from memory) for retained messages and wills.
"""

from __future__ import annotations

import asyncio
import signal
import sqlite3
import subprocess
from pathlib import Path

import aiomqtt
import pytest

from tests.processes.broker import PASSWORD, USER, RealBroker, free_port, program, real_broker
from tests.processes.listener import reading, retained_status
from tests.processes.nights import night
from tests.sequencer.hostile import many

pytestmark = pytest.mark.process
BENCH = "workshop"
SHOUTS = 500
SLOW = ("--speed", "20")  # so that there is a middle


def test_a_missing_broker_program_names_debian_s_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.processes.broker.HERE", ())
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(FileNotFoundError, match="Debian's package 'mosquitto'"):
        program("mosquitto")


async def test_every_message_arrives_once_and_in_order_and_the_last_word_stays(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, night(tmp_path / "out", broker.url) as one:
            assert await one.ended() == 0, one.text
            await reader.until(len(one.kept))
            assert len(one.kept) >= 7  # two units: begun, a point, ended; made safe
            assert reader.seqs == one.kept
            assert f"{len(one.kept)} messages sent, none remains" in one.outbox_line
        status = await retained_status(broker.port, BENCH)
    assert status["state"] == "finished"
    assert "made safe, confirmed" in status["sentence"]


async def test_a_broker_that_comes_up_while_the_outbox_empties_gets_all(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        async with reading(broker.port, wait=False) as reader, night(tmp_path / "out", broker.url) as one:
            assert await one.said("waiting up to"), one.text
            broker.up()
            assert await one.ended() == 0
            # the reader may have subscribed after rows were sent: those are not its loss
            await reader.there.wait()
        assert f"{len(one.kept)} messages sent, none remains" in one.outbox_line
        assert "connected" in one.text
        assert (await retained_status(broker.port, BENCH))["state"] == "finished"


async def test_a_broker_restarted_in_the_middle_misses_nothing(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, night(tmp_path / "out", broker.url, *SLOW) as one:
            await reader.until(1)
            broker.down()
            assert await one.said("p001"), one.text  # something to tell, and nobody to tell it to
            broker.up()
            assert await one.ended() == 0, one.text
            await reader.until(len(one.kept))
            assert reader.seqs == one.kept
            assert sum("not reached" in line for line in one.lines) <= 2  # each reason once


async def test_a_refused_port_is_named_once_and_all_stays_in_the_outbox(tmp_path: Path) -> None:
    async with night(tmp_path / "out", f"mqtt://127.0.0.1:{free_port()}") as one:
        assert await one.ended() == 0, one.text
        assert sum("Connection refused" in line for line in one.lines) == 1
        assert f"0 messages sent, {len(one.kept)} remain in the outbox" in one.outbox_line


@pytest.mark.parametrize("by", ["url", "environment"])
async def test_a_wrong_password_is_named_once_and_never_shown(by: str, tmp_path: Path) -> None:
    wrong = "wr0ng-kelp"
    with real_broker(tmp_path / "broker", password=True) as broker:
        broker.up()
        user = f"{USER}:{wrong}" if by == "url" else USER
        url = broker.url.replace("://", f"://{user}@")
        async with night(tmp_path / "out", url, NIGHTRAMP_MQTT_PASSWORD=wrong) as one:
            assert await one.ended(hurry=True) == 0, one.text
            assert sum("check user and password" in line for line in one.lines) == 1
            assert f"{len(one.kept)} remain in the outbox" in one.outbox_line
            assert wrong not in one.text
            for path in one.out.rglob("*"):
                assert path.is_dir() or wrong.encode() not in path.read_bytes(), path


async def test_the_right_password_from_the_environment_opens(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker", password=True) as broker:
        broker.up()
        url = broker.url.replace("://", f"://{USER}@")
        async with night(tmp_path / "out", url, NIGHTRAMP_MQTT_PASSWORD=PASSWORD) as one:
            assert await one.ended() == 0, one.text
            assert "none remains" in one.outbox_line
            assert PASSWORD not in one.text


async def test_kill_minus_nine_leaves_the_will(tmp_path: Path) -> None:
    """3.1.2.5: the broker publishes the will when the connection goes without a DISCONNECT."""
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, night(tmp_path / "out", broker.url, *SLOW) as one:
            await reader.until(1)
            assert (await retained_status(broker.port, BENCH))["state"] == "at work"
            one.process.kill()
            async with asyncio.timeout(10.0):
                while reader.got[-1].get("state") != "offline":  # noqa: ASYNC110 (nothing sets an event here)
                    await asyncio.sleep(0.01)
            assert (await retained_status(broker.port, BENCH))["state"] == "offline"


async def test_a_stopped_night_says_so_to_who_comes_late(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, night(tmp_path / "out", broker.url, *SLOW) as one:
            await reader.until(1)
            one.process.send_signal(signal.SIGTERM)
            assert await one.ended() == 4, one.text
        assert (await retained_status(broker.port, BENCH))["state"] == "stopped"


async def test_a_signal_while_the_outbox_empties_ends_the_wait_only(tmp_path: Path) -> None:
    async with night(tmp_path / "out", f"mqtt://127.0.0.1:{free_port()}") as one:
        assert await one.ended(hurry=True) == 0, one.text
        assert "made safe, confirmed" in one.text
        assert f"{len(one.kept)} remain in the outbox" in one.outbox_line


async def _under(condition: str, folder: Path) -> str:
    """Digest of results.json of one night under a condition of its broker."""
    narrow = "max_queued_messages 2\nmax_inflight_messages 2\n" if condition == "its queue is full" else ""
    with real_broker(folder / "broker", password=condition == "refuses the password", more=narrow) as broker:
        if condition not in ("none", "refuses"):
            broker.up()
        if condition == "frozen from the start":
            broker.tell(signal.SIGSTOP)
        if condition == "its queue is full":
            async with reading(broker.port):  # and goes away, and is kept for
                pass
        async with night(folder / "out", None if condition == "none" else broker.url) as one:
            assert await one.said("p001"), one.text  # of the first of two units: the middle
            await disturb(condition, broker)
            assert await one.ended(hurry=True) == 0, one.text
            return one.digest


async def disturb(condition: str, broker: RealBroker) -> None:
    if condition == "frozen in the middle":
        broker.tell(signal.SIGSTOP)
    elif condition == "killed in the middle":
        broker.down(signal.SIGKILL)
    elif condition == "strangers shout at us":
        async with aiomqtt.Client("127.0.0.1", broker.port) as stranger:
            for body in many("command", SHOUTS, 3):
                await stranger.publish(f"nightramp/1/{BENCH}/command", body, qos=0)


CONDITIONS = [
    "none",
    "healthy",
    "refuses",
    "refuses the password",
    "frozen from the start",
    "frozen in the middle",
    "killed in the middle",
    "its queue is full",
    "strangers shout at us",
    "none",
]


async def test_ten_nights_under_all_kinds_of_brokers_have_the_same_results_to_the_byte(tmp_path: Path) -> None:
    """The reference is the night without a broker; each in a fresh process with its own hash seed, two at a time."""
    digests: dict[int, str] = {}
    for at in range(0, len(CONDITIONS), 2):
        pair = [(n, CONDITIONS[n]) for n in (at, at + 1)]
        for n, _ in pair:
            (tmp_path / str(n)).mkdir()
        found = await asyncio.gather(*(_under(condition, tmp_path / str(n)) for n, condition in pair))
        digests |= dict(zip((n for n, _ in pair), found, strict=True))
    assert len(digests) == 10
    assert set(digests.values()) == {digests[0]}, list(zip(CONDITIONS, digests.values(), strict=True))


async def test_a_frozen_broker_that_thaws_too_late_still_hears_the_last_word(tmp_path: Path) -> None:
    """It takes it from its socket's buffer: nobody waits for that."""
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, night(tmp_path / "out", broker.url, *SLOW) as one:
            await reader.until(1)
            broker.tell(signal.SIGSTOP)
            assert await one.ended(hurry=True) == 0, one.text
            broker.tell(signal.SIGCONT)
            await asyncio.sleep(1.0)  # what a broker does of itself has no sign of being done
        assert (await retained_status(broker.port, BENCH))["state"] != "at work"
        left = sqlite3.connect(tmp_path / "out" / "ledger.sqlite")
        pending = {seq for (seq,) in left.execute("SELECT seq FROM outbox WHERE sent_at IS NULL")}
        left.close()
        # 4.3.2: what the ledger calls sent, the broker had acknowledged, and so the persistent reader has it
        assert set(one.kept) - pending <= set(reader.seqs)
        assert pending


def own_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate of localhost signed by itself, and its key."""
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    words = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    subprocess.run(
        [program("openssl", "openssl"), *words.split(), "-keyout", str(key), "-out", str(certificate)],
        check=True,
        capture_output=True,
    )
    return certificate, key


async def test_tls_with_a_certificate_of_the_system_s_and_without(tmp_path: Path) -> None:
    """SSL_CERT_FILE puts our own certificate in the place of the system's list (OpenSSL's manual, from memory)."""
    certificate, key = own_certificate(tmp_path)
    with real_broker(tmp_path / "broker", tls=(certificate, key)) as broker:
        broker.up()
        async with night(tmp_path / "trusting", broker.url, SSL_CERT_FILE=str(certificate)) as one:
            assert await one.ended() == 0, one.text
            assert "none remains" in one.outbox_line
        async with night(tmp_path / "wary", broker.url) as one:
            assert await one.ended(hurry=True) == 0, one.text
            assert sum("CERTIFICATE_VERIFY_FAILED" in line for line in one.lines) == 1
            assert "0 messages sent" in one.outbox_line
