"""The connection that a dialect's instrument wants: everything a link has to know of how it speaks. Pure."""

from __future__ import annotations

from drivers.dialect import Dialect
from drivers.link import LinkModel


def link_model(dialect: Dialect, name: str, address: str, within_s: float = 0.0) -> LinkModel:
    """name: for messages. address: TCPIP::host::port::SOCKET. within_s: deadline of an exchange, if longer than the
    dialect's."""
    link = dialect.link
    return LinkModel(
        name=name,
        address=address,
        message_end=link.write_end.encode(),
        reply_end=link.read_end.encode(),
        within_s=max(within_s, link.reply_within_s),
        gap_s=link.gap_s,
        acknowledge=link.acknowledge,
        prompt=link.prompt.encode(),
        echo=link.echo,
        silence_s=link.silence_s,
        codec=dialect.codec,
    )
