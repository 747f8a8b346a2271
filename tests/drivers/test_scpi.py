"""Text of SCPI-1999 and IEEE 488.2: values of the standards, clause beside each (clauses from memory)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import scpi
from drivers.errors import GarbledReply, NotANumber


@pytest.mark.parametrize(
    ("text", "value"),
    [  # IEEE 488.2, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3)
        ("12", 12.0), ("+12", 12.0), ("-0", 0.0), ("12.5", 12.5), (".5", 0.5), ("5.", 5.0),
        ("+1.0000000000E+03", 1000.0), ("1.0000E-1", 0.1), ("-1.25e2", -125.0), (" 24.000\r", 24.0),
    ],
)  # fmt: skip
def test_numbers(text: str, value: float) -> None:
    assert scpi.number(text, "x") == value


@pytest.mark.parametrize(
    "text",
    [  # SCPI-1999 vol. 1, 7.2.1: +-9.9E37 infinity or overload, 9.91E37 not a number; words are in the field
        "9.9E37", "9.9E+37", "-9.9E37", "9.91E37", "9.91000E+37", "+9.90000000E+37", "1E38", "1E999",
        "-1E999", "INF", "-INF", "NAN", "nan", "OL",
    ],
)  # fmt: skip
def test_a_sentinel_is_never_a_number(text: str) -> None:
    with pytest.raises(NotANumber, match="thing"):
        scpi.number(text, "thing")


@pytest.mark.parametrize("text", ["", "VOLT 1", "1,2", "1 2", "1_000", "0x10", "1V", "--1", "1e", "１", "12\n13"])
def test_what_is_no_number_is_garbled(text: str) -> None:
    """Among them what Python's own float() takes: 1_000, full-width digits."""
    with pytest.raises(GarbledReply):
        scpi.number(text, "x")


@settings(database=None)
@given(st.floats(-1e37, 1e37))
def test_every_number_comes_back(value: float) -> None:
    """17 significant digits hold any double (IEEE 754)."""
    assert scpi.number(f"{value:+.16E}", "x") == value


def test_infinite_load() -> None:
    """The manual page answers 9.9E+37 for infinity; 9.91E37 still means no number (SCPI-1999, 7.2.1)."""
    assert scpi.number_or_infinite("9.9E+37", "x") == math.inf
    assert scpi.number_or_infinite("INF", "x") == math.inf
    assert scpi.number_or_infinite("+5.0E+01", "x") == 50.0
    for text in ("9.91E37", "-9.9E37", "NAN"):
        with pytest.raises(NotANumber):
            scpi.number_or_infinite(text, "x")


def test_booleans() -> None:
    """SCPI-1999 vol. 1, 7.3: replies are 1 or 0; ON, OFF, +1 are common practice, no source."""
    assert [scpi.boolean(t, "x") for t in ("1", "ON", "on", "+1", " 1\n")] == [True] * 5
    assert [scpi.boolean(t, "x") for t in ("0", "OFF", "off", "+0")] == [False] * 4
    for text in ("2", "", "YES", "1,0"):
        with pytest.raises(GarbledReply):
            scpi.boolean(text, "x")


def test_words_by_exact_short_or_long_form() -> None:
    """SCPI-1999 vol. 1, 6.2.1: only the exact short or the exact long form; case is ignored."""
    assert scpi.short_form("TRIGgered") == "TRIG"
    assert scpi.short_form("ONEMeg") == "ONEM"
    assert scpi.short_form("BUS") == "BUS"
    assert all(scpi.word_is(t, "TRIGgered") for t in ("TRIG", "trig", "TRIGGERED", '"TRIG"'))
    assert not any(scpi.word_is(t, "TRIGgered") for t in ("TRI", "TRIGG", "TRIGGER", "", "TRIGGEREDX"))


@pytest.mark.parametrize(
    ("reply", "code", "text"),
    [  # SCPI-1999 vol. 2, 21.8.1; spellings without quotes or text: common practice, no source
        ('0,"No error"', 0, "No error"),
        ('+0,"No error"', 0, "No error"),
        ('0, "No Error"', 0, "No Error"),
        ("0", 0, ""),
        ("+0", 0, ""),
        ("0,No error", 0, "No error"),
        ('-222,"Data out of range;level 9 V"', -222, "Data out of range;level 9 V"),
        ("-113,'Undefined header'", -113, "Undefined header"),
        ('-350,"Queue overflow"', -350, "Queue overflow"),
        ('-100,"a ""quoted"" word"', -100, 'a "quoted" word'),
        ('301,"Over-voltage"', 301, "Over-voltage"),
    ],
)
def test_error_entries(reply: str, code: int, text: str) -> None:
    assert scpi.error_entry(reply, "x") == scpi.ErrorEntry(code, text)


@pytest.mark.parametrize("reply", ["", "No error", "ERR 5", "1.5,x"])
def test_no_error_entry(reply: str) -> None:
    with pytest.raises(GarbledReply):
        scpi.error_entry(reply, "x")


@pytest.mark.parametrize(
    ("start", "header", "payload"),
    [(b"#41000abc", 6, 1000), (b"#15hello", 3, 5), (b"#9000000012x", 11, 12), (b"#10", 3, 0)],
)
def test_block_headers(start: bytes, header: int, payload: int) -> None:
    """IEEE 488.2, 8.7.9: #, one digit n, n digits of the number of bytes."""
    assert scpi.block_header(start, "x") == (header, payload)


@pytest.mark.parametrize("start", [b"", b"#", b"41000", b"#0abc", b"#A1", b"#4100", b"#4 100", b"#3+12"])
def test_broken_block_headers(start: bytes) -> None:
    """#0 is the indefinite form (8.7.10): its end can't be told on a raw socket."""
    with pytest.raises(GarbledReply):
        scpi.block_header(start, "x")


def test_channel_lists() -> None:
    """SCPI-1999 vol. 1, 8.3.2: (@101,103), (@101:108); the order is meaningful."""
    assert scpi.channel_list(["101", "103"]) == "(@101,103)"
    assert scpi.channel_list(["103", "101"]) == "(@103,101)"
    assert scpi.channels_of("(@101,103:105)", "x") == ("101", "103", "104", "105")
    assert scpi.channels_of("(@105:103)", "x") == ("105", "104", "103")
    assert scpi.channels_of("(@)", "x") == ()
    for wrong in ([], ["A"], ["101)"], ["101,102"], [""]):
        with pytest.raises(ValueError, match="channel"):
            scpi.channel_list(wrong)
    for text in ("101", "(101)", "(@101,)", "(@A)", "(@1:99999999)"):
        with pytest.raises(GarbledReply):
            scpi.channels_of(text, "x")


@settings(database=None)
@given(st.lists(st.integers(0, 9999).map(str), min_size=1, max_size=20))
def test_a_channel_list_comes_back(names: list[str]) -> None:
    """Round trip: what was built is what is read, in order."""
    assert scpi.channels_of(scpi.channel_list(names), "x") == tuple(names)


def test_labels() -> None:
    """A label says whose number it is, so a wrong or missing one is refused (manual page: `VOLT 23.998`)."""
    assert scpi.without_label("VOLT 23.998", "VOLT", "x") == "23.998"
    assert scpi.without_label(" 23.998 ", "", "x") == "23.998"
    for reply in ("CURR 1.250", "23.998", "VOLT", "VOLT "):
        with pytest.raises(GarbledReply):
            scpi.without_label(reply, "VOLT", "x")


@settings(database=None)
@given(st.text(max_size=40))
def test_any_text_gives_a_value_or_a_named_error(text: str) -> None:
    """Nothing but the two errors of the contract may come out of a reply, whatever it is."""
    for read in (
        scpi.number,
        scpi.number_or_infinite,
        scpi.boolean,
        scpi.error_entry,
        scpi.channels_of,
        scpi.whole,
    ):
        try:
            read(text, "x")
        except (GarbledReply, NotANumber):
            continue
