"""One connection to a broker: a fresh client each time, small packets at once, TLS and names as declared."""

from __future__ import annotations

import logging
import socket
import ssl
from typing import Any

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from sequencer.publish.broker_url import PASSWORD_VARIABLE, Broker

WINDOW = 20  # a broker's usual share of unacknowledged messages; more brought nothing when measured
BESIDE = 4  # a status, a reply, a reading and a subscription may be under way besides
KEEPALIVE_S = 12
TIMEOUT_S = 5.0
MOST_UNREAD = 1000  # of what comes in: beyond it the newest is dropped, and whoever cares says it again
# 134, 135: bad user name or password, not authorised; 3.1.1's own codes 4 and 5 are translated to these.
REFUSED_CODES = (134, 135)
OTHER_VERSION = 132
QUIET = logging.getLogger("nightramp.mqtt")
QUIET.setLevel(logging.CRITICAL)  # what matters of a broker is said by us, once


class Client(aiomqtt.Client):
    """No word about many calls under way: here they are many on purpose."""

    def __init__(self, hostname: str, port: int, **settings: Any) -> None:
        super().__init__(hostname, port, **settings)
        self.pending_calls_threshold = WINDOW + BESIDE


def client_of(
    broker: Broker, identifier: str, tls: ssl.SSLContext | None, will: aiomqtt.Will | None = None, *, kept: bool = False
) -> Client:
    """Not yet connected. A used one would send again by itself what timed out: one per connection.

    kept: the broker keeps what comes while we are away.
    """
    five = broker.mqtt == "5"
    sessions: dict[str, Any] = {"clean_start": not kept} if five else {"clean_session": not kept}
    return Client(
        broker.host,
        broker.port,
        username=broker.user,
        password=broker.password,
        tls_context=tls,
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        will=will,
        timeout=TIMEOUT_S,
        keepalive=KEEPALIVE_S,
        # or the broker's last acknowledgements wait some 40 ms for ours
        socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
        max_inflight_messages=WINDOW + BESIDE,
        max_queued_incoming_messages=MOST_UNREAD,
        logger=QUIET,
        **sessions,
    )


def expiring(broker: Broker, seconds: int) -> Properties | None:
    """MQTT 5, 3.3.2.3.3: a broker throws the message away when it is older. 3.1.1 knows no such thing."""
    if broker.mqtt != "5":
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = seconds
    return properties


def in_words(error: Exception) -> str:
    """For a person: what it means, and what to do."""
    if isinstance(error, MqttConnectError):
        code = getattr(error.rc, "value", error.rc)
        if code in REFUSED_CODES:
            return f"refuses us; check user and password (in the URL, a file, or {PASSWORD_VARIABLE})"
        if code == OTHER_VERSION:
            return 'does not speak MQTT 5; write mqtt = "3.1.1"'
        return f"refuses us: {error}"
    if isinstance(error, aiomqtt.MqttError | OSError):
        return f"not reached: {error}"
    return f"{type(error).__name__}: {error}"
