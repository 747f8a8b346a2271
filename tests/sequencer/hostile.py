"""What strangers may say on a topic: bytes, JSON of any shape, and messages of ours with one thing wrong."""

from __future__ import annotations

import json
import random
from typing import Any

from hypothesis import strategies as st

LEDGER = "0a1b2c3d4e5f"
RECEIVED: dict[str, Any] = {
    "schema_name": "nightramp.received", "schema_version": 1, "id": "c-1", "time": "2026-01-05T22:00:00+00:00",
    "ledger": LEDGER, "ranges": [[1, 9]], "seqs": [11],
}  # fmt: skip
COMMAND: dict[str, Any] = {
    "schema_name": "nightramp.command", "schema_version": 1, "id": "c-2", "time": "2026-01-05T22:00:00+00:00",
    "expires": "2026-01-05T23:00:00+00:00", "kind": "say again", "ledger": LEDGER, "first_seq": 1, "last_seq": 9,
}  # fmt: skip
# Without one of these, or with another kind of value in it, neither is a message any more (true stands for 1).
NEEDED = {"received": ("schema_name", "schema_version", "id", "time", "ledger"), "command": tuple(COMMAND)}
WRONG = st.one_of(
    st.none(), st.just(False), st.floats(1.5, 2.0), st.text(max_size=5).map(lambda text: f"~{text}"), st.just({}),
    st.just([[]]),
    st.integers(max_value=0), st.integers(min_value=2**53), st.just(["x"]),
)  # fmt: skip
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@st.composite
def _one_thing_wrong(draw: st.DrawFn, kind: str) -> bytes:
    body = dict(RECEIVED if kind == "received" else COMMAND)
    key = draw(st.sampled_from([name for name in NEEDED[kind] if name not in ("id", "time", "ledger")]))
    if draw(st.booleans()):
        del body[key]
    else:
        body[key] = draw(WRONG)
    return json.dumps(body).encode()


def payloads(kind: str) -> st.SearchStrategy[bytes]:
    """Of the topic `received` or `command`; none of them may have an effect."""
    odd = st.sampled_from(
        [b"", b"null", b"[" * 5000, b'{"a":' * 3000, b"\xff\xfe", b'{"seqs":[1e400]}', b"9" * 5000,
         b"{}" + b" " * 70000,
         json.dumps({**RECEIVED, "ranges": [[9, 1]], "seqs": []}).encode(),
         json.dumps({**RECEIVED, "ranges": [[1, 2]] * 1001}).encode(),
         json.dumps({**RECEIVED, "ledger": "another"}).encode(),
         json.dumps({**COMMAND, "expires": "2026-01-05T23:00:00"}).encode(),
         json.dumps({**COMMAND, "expires": "soon"}).encode(),
         json.dumps({**COMMAND, "kind": "explode"}).encode()]
    )  # fmt: skip
    # Hypothesis is clever enough to write a sound one from the words it finds in our sources: that is none of these.
    blind = st.one_of(st.binary(max_size=200), JSON.map(lambda value: json.dumps(value).encode()))
    return st.one_of(blind.filter(lambda text: LEDGER.encode() not in text), odd, _one_thing_wrong(kind))


def many(kind: str, count: int, seed: int) -> list[bytes]:
    """So many of the same sort, quickly: for tests that send thousands."""
    chance, sound = random.Random(seed), RECEIVED if kind == "received" else COMMAND
    made: list[bytes] = []
    for _ in range(count):
        body = dict(sound)
        key = chance.choice([name for name in NEEDED[kind] if name not in ("id", "time", "ledger")])
        body[key] = chance.choice([None, False, -1, 2**60, {}, [[]], ["x"], "~", 0.5])
        text = json.dumps(body).encode()
        at = chance.randrange(len(text))
        made.append(chance.choice([text, text[:at], chance.randbytes(at), b"[" * at, text.replace(b'"', b"'")]))
    return made
