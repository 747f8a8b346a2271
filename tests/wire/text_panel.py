"""A small instrument of the tests' own: text and blocks, one number to set and to ask, a reply that counts
questions."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.panel import Wait


@dataclass
class TextPanel:
    """Every message costs `cost_s_each`. `ASK n?` answers `n`, so that an answer shows which question it belongs
    to."""

    name: str = "text"
    terminator: bytes = b"\n"
    cost_s_each: float = 0.001
    level: str = "0"
    connections: int = 0
    log: list[str] = field(default_factory=list)
    waits: dict[str, Wait] = field(default_factory=dict)

    def cost_s(self, message: str) -> float:
        return float(message.split()[1]) if message.startswith("TAKE ") else self.cost_s_each

    def execute(self, message: str, now_ns: int) -> bytes | Wait | None:
        if message in self.waits:
            wait = self.waits[message]
            if wait.until_ns is None or now_ns < wait.until_ns:
                return wait
        self.log.append(message)
        if message == "*IDN?":
            return b"Example," + self.name.encode() + b",0,1" + self.terminator
        if message.startswith("LEV "):
            self.level = message[4:]
        if not message.endswith("?"):
            return None
        return self._answer(message) + self.terminator

    def _answer(self, message: str) -> bytes:
        if message == "SYST:ERR?":
            return b'0,"No error"'
        if message == "LEV?":
            return self.level.encode()
        if message.startswith("BLOCK "):
            payload = bytes(range(256)) * (int(message[6:-1]) // 256 + 1)
            payload = payload[: int(message[6:-1])]
            return f"#6{len(payload):06d}".encode() + payload
        return message.removeprefix("ASK ").removesuffix("?").encode()

    def connected(self) -> None:
        self.connections += 1
