"""The consumer that ships, at a real Mosquitto that is killed, frozen, down, full or picky. Truth: the ledger's own
numbers; MQTT 3.1.1 (OASIS, from memory), 4.3.2, for who owns what was acknowledged.
"""

from __future__ import annotations

import asyncio
import random
import signal
from pathlib import Path

import aiomqtt
import pytest

from sequencer.publish.broker_url import Broker
from tests.processes.broker import PASSWORD, USER, RealBroker, free_port, real_broker
from tests.processes.certificates import certificates
from tests.processes.consumer import BENCH, Hearing, Telling, hearing, telling, until
from tests.sequencer.hostile import many

pytestmark = pytest.mark.process
KILLS, A_TURN = 20, 15


def at(broker: RealBroker) -> Broker:
    return Broker("127.0.0.1", broker.port)


async def all_is_there(told: Telling, heard: Hearing, count: int) -> None:
    """Each once, in order, on the consumer's disk, and confirmed in the ledger. The publisher waits a little for a
    consumer that is there, not for one that is still on its way back: the end comes when it is."""
    await asyncio.sleep(0.3)  # who lost its connection has noticed
    await until(heard.listener.ready.is_set)
    await told.done()
    await until(lambda: len(heard.seqs) >= count)
    assert heard.seqs == list(range(1, count + 1))
    assert heard.listener.counted().endswith(" 0 missing")
    assert await told.counts() == {"pending": 0, "sent": 0, "confirmed": count}


async def test_twenty_kills_at_random_moments_and_nothing_is_lost(tmp_path: Path) -> None:
    """What was acknowledged and then lost with the broker's memory is asked for again, by its number."""
    chance = random.Random(7)
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with telling(tmp_path, at(broker)) as told, hearing(tmp_path, at(broker)) as heard:
            for _ in range(KILLS):
                await told.keep(A_TURN)
                await asyncio.sleep(chance.uniform(0.0, 0.4))
                broker.down(signal.SIGKILL)
                broker.up()
            await all_is_there(told, heard, KILLS * A_TURN)
            print(f"\n{KILLS} kills: {heard.listener.counted()}")


async def test_a_broker_that_was_down_all_night_gets_all_at_its_end(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        async with telling(tmp_path, at(broker)) as told, hearing(tmp_path, at(broker)) as heard:
            await told.keep(200)
            await until(lambda: any("refused" in line for line in told.said))
            assert await told.counts() == {"pending": 200, "sent": 0, "confirmed": 0}
            broker.up()
            await until(heard.listener.ready.is_set)
            await all_is_there(told, heard, 200)


async def test_a_frozen_broker_and_a_consumer_that_wait_for_it(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with telling(tmp_path, at(broker)) as told, hearing(tmp_path, at(broker)) as heard:
            await told.keep(50)
            await until(lambda: len(heard.seqs) >= 10)
            broker.tell(signal.SIGSTOP)
            await told.keep(50)
            await until(lambda: any("timed out" in line for line in told.said))
            broker.tell(signal.SIGCONT)
            await all_is_there(told, heard, 100)


async def test_what_a_full_queue_threw_away_is_asked_for(tmp_path: Path) -> None:
    """Mosquitto's manual, from memory: beyond max_queued_messages those for a client that is away are dropped."""
    with real_broker(tmp_path / "broker", more="max_queued_messages 5\nmax_inflight_messages 5\n") as broker:
        broker.up()
        async with telling(tmp_path, at(broker)) as told:
            async with hearing(tmp_path, at(broker)) as heard:
                await until(heard.listener.ready.is_set)
                await told.keep(3)
                await until(lambda: len(heard.seqs) == 3)
            await told.keep(150)
            await until(lambda: told.publisher.sent >= 153)
            async with hearing(tmp_path, at(broker)) as again:
                assert [int(body["seq"]) for body in again.kept.kept] == list(range(1, 4))
                await until(again.listener.ready.is_set)
                await told.keep(1)  # the next message shows the gap
                await until(lambda: len(again.seqs) >= 151)
                assert again.seqs == list(range(4, 155))
                await told.done()
                assert again.listener.counted().endswith(" 0 missing")
                assert await told.counts() == {"pending": 0, "sent": 0, "confirmed": 154}


async def test_a_wrong_password_sends_nothing_and_is_never_shown(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker", password=True) as broker:
        broker.up()
        wrong = Broker("127.0.0.1", broker.port, user=USER, password="wr0ng-kelp")
        right = Broker("127.0.0.1", broker.port, user=USER, password=PASSWORD)
        async with hearing(tmp_path, right) as heard:
            async with telling(tmp_path, wrong) as told:
                await told.keep(20)
                await until(lambda: any("check user and password" in line for line in told.said))
                assert await told.counts() == {"pending": 20, "sent": 0, "confirmed": 0}
                assert not any("wr0ng-kelp" in line for line in told.said)
            assert heard.seqs == []


async def test_only_who_shows_the_right_certificate_comes_in(tmp_path: Path) -> None:
    """TLS (RFC 8446, 4.4.2): a server may ask for a certificate, and end the handshake where it is none of its."""
    made = certificates(tmp_path)
    more = f"cafile {made.authority}\nrequire_certificate true\n"
    with real_broker(tmp_path / "broker", tls=made.broker, more=more) as broker:
        broker.up()

        def shown(pair: tuple[Path, Path] | None, believed: Path | None = made.authority) -> Broker:
            return Broker("localhost", broker.port, True, None, None, believed, *(pair or (None, None)))

        for name, pair in {"stranger": made.stranger, "nobody": None}.items():
            folder = tmp_path / name
            folder.mkdir()
            async with telling(folder, shown(pair)) as told:
                await told.keep(3)
                await until(lambda told=told: bool(told.said))  # type: ignore[misc]
                assert (await told.counts())["pending"] == 3
        async with telling(tmp_path, shown(made.bench)) as told, hearing(tmp_path, shown(made.bench)) as heard:
            await until(heard.listener.ready.is_set)
            await told.keep(30)
            await all_is_there(told, heard, 30)
            assert told.said == []


async def test_five_thousand_hostile_messages_confirm_nothing_and_lose_nothing(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with telling(tmp_path, at(broker)) as told:
            await told.keep(50)
            async with aiomqtt.Client("127.0.0.1", broker.port) as stranger:
                stranger.pending_calls_threshold = 5000
                for kind in ("received", "command"):
                    for payload in many(kind, 2500, 5):
                        await stranger.publish(f"nightramp/1/{BENCH}/{kind}", payload, qos=0)
            await told.keep(50)
            await until(lambda: told.publisher.sent >= 100)
            assert (await told.counts())["confirmed"] == 0
            async with hearing(tmp_path, at(broker)) as heard:
                await until(heard.listener.ready.is_set)
                await told.keep(1)  # the next message shows what came before it
                await all_is_there(told, heard, 101)
            assert told.said == []


async def test_readings_expire_where_the_broker_speaks_mqtt_5(tmp_path: Path) -> None:
    """MQTT 5, 3.3.2.3.3 (from memory): what is forwarded carries what is left of the expiry."""
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        five = Broker("127.0.0.1", broker.port, mqtt="5")
        async with telling(tmp_path, five) as told, hearing(tmp_path, five) as heard:
            async with aiomqtt.Client("127.0.0.1", broker.port, protocol=aiomqtt.ProtocolVersion.V5) as reader:
                await reader.subscribe(f"nightramp/1/{BENCH}/readings")
                await until(heard.listener.ready.is_set)
                told.publisher.reading({"supply_v": 24.0, "supply_a": 1.2, "heatsink_c": {}, "driven": False})
                async with asyncio.timeout(10.0):
                    message = await anext(aiter(reader.messages))
                assert message.properties is not None
                assert 0 < message.properties.MessageExpiryInterval <= 10
            await told.keep(20)
            await all_is_there(told, heard, 20)


async def test_a_broker_that_is_not_there_is_named(tmp_path: Path) -> None:
    async with telling(tmp_path, Broker("127.0.0.1", free_port())) as told:
        await until(lambda: bool(told.said))
        assert "not reached" in told.said[0]
