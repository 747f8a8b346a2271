"""A codec beside a dialect file: run only where it is named, proved by the samples, refused with file, key, remedy.

The framing of the example (start byte, text, checksum as two hexadecimal digits) is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.dialect import Dialect, DialectProblems, load_dialect
from drivers.joining import link_model

CODEC = '''
class Codec:
    """Start byte, text, and the sum of its bytes modulo 256 as two hexadecimal digits."""

    def encode(self, message):
        body = message.encode("ascii")
        return b"\\x02" + body + b"%02X\\r" % (sum(body) % 256)

    def decode(self, message, reply):
        body, told = reply[1:-2], int(reply[-2:], 16)
        if sum(body) % 256 != told:
            raise ValueError("checksum")
        return body.decode("ascii")
'''
# 'T' 'I' is 0x54 + 0x49 = 0x9D; '2' '3' '5' is 0x32 + 0x33 + 0x35 = 0x9A
DIALECT = """
format = 1
role = "thermometer"
title = "one that frames what it says"
provenance = "made up for this test"
absent = ["identity", "errors", "sensor", "unit"]
codec = "mine.codec.py"

[[codec_sample]]
message = "TI"
sent = "02 54 49 39 44 0D"
reply = "02 32 33 35 39 41"
means = "235"

[link]
read_end = "\\r"
write_end = "\\r"
clear = ""
plain_questions = true

[each.temperatures]
kind = "number"
ask = "T{name}"
count_of = 0.1
samples = [{ reply = "235", means = [23.5] }]
"""


def loaded(folder: Path, codec: str | None = CODEC, dialect: str = DIALECT) -> Dialect:
    if codec is not None:
        (folder / "mine.codec.py").write_text(codec, encoding="utf-8")
    (folder / "mine.dialect.toml").write_text(dialect, encoding="utf-8")
    return load_dialect(folder / "mine.dialect.toml", "thermometer")


def test_it_turns_messages_to_bytes_and_back(tmp_path: Path) -> None:
    dialect = loaded(tmp_path)
    assert dialect.codec is not None
    assert dialect.codec.encode("TI") == bytes.fromhex("02544939440D")
    assert dialect.codec.decode("TI", bytes.fromhex("023233353941")) == "235"
    assert link_model(dialect, "x", "TCPIP::127.0.0.1::1::SOCKET").codec is dialect.codec


def test_a_file_nobody_names_is_not_run(tmp_path: Path) -> None:
    text = DIALECT.replace('codec = "mine.codec.py"', "").split("[[codec_sample]]")
    dialect = text[0] + "[link]" + text[1].partition("[link]")[2]
    assert loaded(tmp_path, "raise SystemExit('it was run')", dialect).codec is None


@pytest.mark.parametrize(
    ("codec", "dialect", "key", "remedy"),
    [
        (None, DIALECT, "codec", "no such file beside this one"),
        (CODEC, DIALECT.replace("mine.codec.py", "../mine.codec.py"), "codec", "plain name"),
        (CODEC, DIALECT.replace("mine.codec.py", "mine.py"), "codec", "ends in .codec.py"),
        ("import nothing_of_this_name", DIALECT, "codec", "running it failed: ModuleNotFoundError"),
        ("class Other: ...", DIALECT, "codec", "no class Codec"),
        (CODEC.replace("def decode", "def undo"), DIALECT, "codec", "no method decode"),
        (CODEC.replace("(self, message):", "(self):"), DIALECT, "codec_sample[0]", "can't encode 'TI': TypeError"),
        # one more than the sum, as text: 0x9E is "9E"
        (CODEC.replace("%02X\\r\" % (sum(body)", "%02X\\r\" % ((sum(body) + 1)"), DIALECT, "codec_sample[0].sent",
         "encodes 'TI' as 02 54 49 39 45 0d"),
        (CODEC, DIALECT.replace("39 41", "39 42"), "codec_sample[0]", "can't decode"),
        (CODEC, DIALECT.replace('means = "235"', 'means = "236"'), "codec_sample[0].means", "decodes its reply as"),
        (CODEC, DIALECT.replace('reply = "02 32 33 35 39 41"\nmeans', "means"), "codec_sample[0].means", "go together"),
        (CODEC, DIALECT.replace('codec = "mine.codec.py"', ""), "codec_sample", "no codec is named"),
    ],
)  # fmt: skip
def test_a_broken_one_is_refused(tmp_path: Path, codec: str | None, dialect: str, key: str, remedy: str) -> None:
    with pytest.raises(DialectProblems) as caught:
        loaded(tmp_path, codec, dialect)
    found = [p for p in caught.value.problems if p.key == key]
    assert found, str(caught.value)
    assert remedy in found[0].remedy
    assert found[0].file.endswith("mine.dialect.toml")


def test_none_where_lines_alone_must_switch_off(tmp_path: Path) -> None:
    """The bench is switched off by a process that knows no codec, waits for no acknowledgement and strips no echo."""
    from tests.drivers.test_dialect import text_of

    text = text_of("supply-a").replace('role = "supply"', 'role = "supply"\ncodec = "mine.codec.py"')
    text = text.replace("[link]", '[link]\necho = true\nacknowledge = "ok"\nread_end = ""\nsilence_s = 0.05')
    (tmp_path / "mine.dialect.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DialectProblems) as caught:
        load_dialect(tmp_path / "mine.dialect.toml", "supply")
    keys = {p.key for p in caught.value.problems if "must be switched off by lines alone" in p.remedy}
    assert keys == {"codec", "link.echo", "link.acknowledge", "link.read_end", "link.silence_s"}
