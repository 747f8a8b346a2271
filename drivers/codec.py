"""A codec: the one Python class a dialect file may name, for an instrument whose bytes no table can describe.

It turns each message of the file into the bytes that are sent, and the bytes that came back into the text that the
file's reply forms read. It is pure: no link, no clock, no memory from one message to the next.

It lies beside the dialect file (`mine.codec.py` beside `mine.dialect.toml`) and is run only if the file names it.
"""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from typing import Protocol, cast

from drivers.errors import DialectError

FILE_NAME = re.compile(r"[A-Za-z0-9_-]+\.codec\.py\Z")


class Codec(Protocol):
    """What the class `Codec` of such a file must have; it is made without arguments. What it can't do raises
    ValueError with a sentence."""

    def encode(self, message: str) -> bytes:
        """A message of the dialect file, its placeholders filled, as it goes out: line end included, if any."""

    def decode(self, message: str, reply: bytes) -> str:
        """What came back on `message`, without the link's line end, as text of one line."""


def encoded(codec: Codec, message: str) -> bytes:
    """Raises ValueError, whatever the codec raised."""
    try:
        data = codec.encode(message)
    except Exception as error:
        raise ValueError(f"its codec can't encode {message!r}: {type(error).__name__}: {error}") from error
    if not isinstance(data, bytes) or not data:
        raise ValueError(f"its codec encodes {message!r} as {data!r}: bytes are needed, at least one")
    return data


def decoded(codec: Codec, message: str, reply: bytes) -> str:
    """Raises ValueError, whatever the codec raised."""
    try:
        text = codec.decode(message, reply)
    except Exception as error:
        raise ValueError(f"its codec can't decode {reply[:40]!r}: {type(error).__name__}: {error}") from error
    if not isinstance(text, str) or not text.isprintable():
        raise ValueError(f"its codec decodes {reply[:40]!r} as {text!r}: text of one line is needed")
    return text


def load_codec(dialect: str, named: str) -> Codec:
    """The codec that the dialect file at the path `dialect` names. Its file is run. Raises DialectError."""

    def refuse(remedy: str) -> DialectError:
        return DialectError(dialect, "codec", named, remedy)

    if not FILE_NAME.match(named):
        raise refuse("the plain name of a file beside this one that ends in .codec.py")
    path = Path(dialect).resolve().parent / named
    if not path.is_file() or path.resolve().parent != path.parent:
        raise refuse("no such file beside this one: put it there, not behind a link")
    spec = importlib.util.spec_from_file_location(f"codec_{path.stem.partition('.')[0].replace('-', '_')}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        raise refuse(f"running it failed: {type(error).__name__}: {error}: mend it") from error
    made = getattr(module, "Codec", None)
    if not isinstance(made, type):
        raise refuse("it has no class Codec: add one with encode(message) and decode(message, reply)")
    try:
        codec = made()
    except Exception as error:
        raise refuse(f"Codec() failed: {type(error).__name__}: {error}: it takes no arguments") from error
    for method in ("encode", "decode"):
        if not callable(getattr(codec, method, None)):
            raise refuse(f"its class Codec has no method {method}: add it")
    return cast("Codec", codec)
