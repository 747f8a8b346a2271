"""Where a value stands in a reply, and what it is counted in. Examples without a remark are those that low-cost and old
instruments answer by public programming pages: forms only, values ours.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.conversions import CONVERSIONS, FORMULAS, Line, Surroundings
from drivers.dialect_model import Each, NumberSetting, Reading, RelayWord, Status, Trace
from drivers.errors import GarbledReply, NotANumber
from drivers.reply_forms import Fielded, KeyValue, NameValue, Plain, value_in, without_unit
from drivers.reply_text import Preamble, altered_word, bits_set, each_value, reading_values, relays_on
from drivers.roles.capture import codes_from, volts_as_codes
from drivers.setting_text import SettingText

BASIC_WAVE = "C1:BSWV WVTP,SINE,FRQ,1000HZ,PERI,0.001S,AMP,0.5V,OFST,0V,PHSE,0"


@pytest.mark.parametrize(
    ("form", "reply", "value"),
    [
        (Plain(), " 13.80 ", "13.80"),
        (Plain(header="VOLT"), "VOLT 13.80", "13.80"),
        (Plain(header="VALUE ACV"), "VALUE ACV +11.97407 V", "+11.97407 V"),
        (Plain(header="I1:WF HEAD,"), "I1:WF HEAD,POINTS,20000", "POINTS,20000"),
        (Plain(quoted=True), '"VOLT:AC"', "VOLT:AC"),
        (Plain(quoted=True), "'it''s'", "it's"),  # IEEE 488.2, 8.7.8: the mark is doubled inside
        (Fielded(kind="field", place=2, count=4), "1,0,20000,1", "20000"),
        (Fielded(kind="field", place=0, separator=";"), "2;16;RI", "2"),
        (Fielded(kind="field", place=0, header="C1:OUTP"), "C1:OUTP OFF,LOAD,HZ,PLRT,NOR", "OFF"),
        (KeyValue(kind="key_value", key="LOAD", header="C1:OUTP"), "C1:OUTP OFF,LOAD,HZ,PLRT,NOR", "HZ"),
        (KeyValue(kind="key_value", key="FRQ", header="C1:BSWV"), BASIC_WAVE, "1000HZ"),
        (NameValue(kind="name_value", name="volt"), "VOLT:13.8;CURR:2.0", "13.8"),
        (NameValue(kind="name_value", name="I", separator=",", between="="), "U=13.8, I=2.0", "2.0"),
    ],
)
def test_the_value_is_cut_out(form: Plain, reply: str, value: str) -> None:
    assert value_in(form, reply, "x") == value


@pytest.mark.parametrize(
    ("form", "reply"),
    [
        (Plain(header="VOLT"), "CURR 2.0"),
        (Plain(header="VALUE ACV"), "VALUE DCV +11.97407 V"),
        (Plain(header="VALUE ACV"), "VALUE ACV"),
        (Plain(quoted=True), '"VOLT'),
        (Fielded(kind="field", place=2, count=4), "1,0,20000"),
        (Fielded(kind="field", place=5), "1,0"),
        (KeyValue(kind="key_value", key="FRQ"), "AMP,0.5V"),
        (KeyValue(kind="key_value", key="FRQ"), "AMP,0.5V,FRQ"),
        (KeyValue(kind="key_value", key="FRQ"), "FRQ,1HZ,FRQ,2HZ"),
        (NameValue(kind="name_value", name="VOLT"), "VOLT:1;VOLT:2"),
        (NameValue(kind="name_value", name="VOLT"), "VOLT 1"),
    ],
)
def test_another_form_is_garbled_and_never_half_read(form: Plain, reply: str) -> None:
    with pytest.raises(GarbledReply):
        value_in(form, reply, "x")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1000HZ", "HZ", 1e3),
        ("1.5 kHz", "HZ", 1.5e3),
        ("2MHZ", "HZ", 2e6),  # SCPI-1999 vol. 1, 7.7.3 (from memory): MHZ and MOHM are mega ...
        ("1MOHM", "OHM", 1e6),
        ("2MV", "V", 2e-3),  # ... and MV, MA, MS are milli
        ("5MA", "A", 5e-3),
        ("3MAV", "V", 3e6),
        ("20US", "S", 20e-6),
        ("+1.01103E+00NVDC", "NVDC", 1.01103),
        ("5.00E+00V", "V", 5.0),
        ("7", "", 7.0),
    ],
)
def test_units_glued_on(text: str, unit: str, value: float) -> None:
    assert float(without_unit(text, unit, "x")) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("text", "unit"), [("5", "V"), ("5A", "V"), ("5XV", "V"), ("1000HZ", "V")])
def test_another_unit_or_none_is_garbled(text: str, unit: str) -> None:
    with pytest.raises(GarbledReply):
        without_unit(text, unit, "x")


def setting(**keys: object) -> SettingText:
    samples = ({"reply": "1", "means": 1.0},)
    table = {"kind": "number", "send": ("X {x}",), "ask": "X?", "samples": samples} | keys
    return SettingText("x", "x", NumberSetting.model_validate(table))


def test_scaled_integers_and_fixed_width() -> None:
    """1000 Hz in hundredths of a hertz is 100000; 20 ms is 20000 us; 13.8 V in five places is 13.80, 5 A is 05.00."""
    hundredths = setting(decimals=0, count_of=0.01, within=0.0)
    assert hundredths.messages(1000.0) == ("X 100000",)
    assert hundredths.parse("100000", "x") == 1000.0
    assert setting(decimals=0, count_of=0.01, round="down").messages(1.27) == ("X 127",)
    assert setting(decimals=0, count_of=1e-6).messages(0.02) == ("X 20000",)
    assert setting(decimals=0, count_of=1e-6).parse("20000", "x") == 0.02
    fixed = setting(decimals=2, width=5, within=0.001)
    assert [fixed.messages(v) for v in (13.8, 5.0)] == [("X 13.80",), ("X 05.00",)]
    assert fixed.agrees(5.0, "05.00", "x")
    assert not fixed.agrees(5.0, "05.01", "x")


def test_period_for_rate() -> None:
    """50 Hz is a period of 0.02 s, and back; half of 40 V is 20 V."""
    there, back = CONVERSIONS["rate_to_interval"].there, CONVERSIONS["rate_to_interval"].back
    assert (there(50.0, Surroundings()), back(0.02, Surroundings())) == (0.02, 50.0)
    span = CONVERSIONS["full_scale_to_span"]
    assert (span.there(20.0, Surroundings()), span.back(40.0, Surroundings())) == (40.0, 20.0)


def test_level_across_50_ohm() -> None:
    """1 Vrms of e.m.f. is 0.5 Vrms, 1.414214 Vpp across the load that a 50 ohm source is matched to."""
    vrms, vpp = CONVERSIONS["emf_to_vrms_at_50_ohm"], CONVERSIONS["emf_to_vpp_at_50_ohm"]
    assert (vrms.there(1.0, Surroundings()), vrms.back(0.5, Surroundings())) == (0.5, 1.0)
    assert vpp.there(1.0, Surroundings()) == pytest.approx(math.sqrt(2), rel=1e-12)
    assert vpp.back(math.sqrt(2), Surroundings()) == pytest.approx(1.0, rel=1e-12)


def test_crest_and_samples_before_the_trigger() -> None:
    """0.5 Vrms is a crest of 0.70711 V; 0.5 ms at 2 us are 250 samples."""
    peak, samples = CONVERSIONS["vrms_to_peak"], CONVERSIONS["seconds_to_samples"]
    assert peak.there(0.5, Surroundings()) == pytest.approx(0.70710678, rel=1e-8)
    assert peak.back(0.70710678, Surroundings()) == pytest.approx(0.5, rel=1e-8)
    around = Surroundings(interval_s=2e-6)
    assert samples.there(0.0005, around) == pytest.approx(250.0, rel=1e-12)
    assert samples.back(250.0, around) == pytest.approx(0.0005, rel=1e-12)


def test_words_for_the_values_there_are() -> None:
    """The least that reaches what is asked; the largest where none does, and the reply says what was taken."""
    rungs = ({"value": 1.0, "word": "LOW"}, {"value": 10.0, "word": "MIDdle"}, {"value": 100.0, "word": "HIGH"})
    ranges = setting(rungs=rungs)
    assert [ranges.messages(v)[0] for v in (0.5, 1.0, 1.01, 100.0, 750.0)] == [
        "X LOW", "X LOW", "X MIDdle", "X HIGH", "X HIGH",
    ]  # fmt: skip
    assert (ranges.parse("MID", "x"), ranges.parse("1.0E+02", "x")) == (10.0, 100.0)
    filters = setting(rungs=rungs, round="down")
    assert [filters.messages(v)[0] for v in (0.5, 1.0, 99.0, 750.0)] == ["X LOW", "X LOW", "X MIDdle", "X HIGH"]
    assert ranges.agrees(7.5, "MIDDLE", "x")
    assert not ranges.agrees(7.5, "HIGH", "x")


def test_a_word_for_infinity_may_look_like_a_unit() -> None:
    load = setting(decimals=0, infinite="HZ", unit="OHM", reply=KeyValue(kind="key_value", key="LOAD"))
    assert load.parse("ON,LOAD,HZ", "x") == math.inf
    assert load.parse("ON,LOAD,50OHM", "x") == 50.0
    assert load.agrees(math.inf, "ON,LOAD,HZ", "x")
    assert not load.agrees(math.inf, "ON,LOAD,50OHM", "x")


def test_readings_with_units_labels_and_words_for_none() -> None:
    sample = {"reply": "1", "means": {"volts": 1.0}}
    tenths = Reading.model_validate({"ask": "X?", "gives": ("volts",), "count_of": 0.1, "samples": (sample,)})
    assert reading_values(tenths, "235", "x") == {"volts": 23.5}
    both = Reading.model_validate(
        {"ask": "X?", "gives": ("volts", "amps"), "units": ("V", "A"), "samples": (sample,), "no_reading": ("----",)}
    )
    assert reading_values(both, "13.8V,250MA", "x") == {"volts": 13.8, "amps": 0.25}
    with pytest.raises(NotANumber):
        reading_values(both, "----,1A", "x")
    with pytest.raises(NotANumber):  # SCPI-1999 vol. 1, 7.2.1: +9.9E37 is overload, unit or not
        reading_values(both, "9.9E37V,1A", "x")


def test_a_list_of_those_that_are_on() -> None:
    """SCPI-1999 vol. 1, 8.3.2: ranges in a channel list count as all of their members."""
    table = Each.model_validate(
        {"ask": "X?", "kind": "boolean", "answers": "those_on", "samples": ({"reply": "(@)", "means": (False,)},)}
    )
    assert each_value(table, "(@101,105:107)", ("101", "102", "106"), "x") == {"101": True, "102": False, "106": True}
    assert each_value(table, "(@)", ("101",), "x") == {"101": False}
    with pytest.raises(GarbledReply):
        each_value(table, "1,0", ("101", "102"), "x")


def test_bits_of_a_byte_and_bits_that_mean_it_by_being_low() -> None:
    """Bit 0 of 0x41 = 0b1000001 and bit 6 are set, bit 1 is not."""
    sample = ({"reply": "A", "means": ()},)
    table = {"ask": "S?", "latched": False, "byte": True, "samples": sample}
    bits = {"in_current_limit": 0, "too_hot": 1, "over_voltage": 6}
    plain = Status.model_validate(table | {"bits": bits})
    assert bits_set(plain, "\x41", "x") == {"in_current_limit", "over_voltage"}
    low = Status.model_validate(table | {"bits": bits, "low": ("in_current_limit", "too_hot")})
    assert bits_set(low, "\x41", "x") == {"too_hot", "over_voltage"}
    for reply in ("", "AA", "\u0141"):
        with pytest.raises(GarbledReply):
            bits_set(plain, reply, "x")


def test_relays_as_bits_of_a_word_leave_the_others_alone() -> None:
    """Truth tables by hand: bit 0 and bit 2 known, bit 7 somebody else's."""
    table = {"ask": "W?", "send": ("W {word}",), "bits": {"101": 0, "102": 2}}
    samples = ({"reply": "0", "means": ()}, {"reply": "1", "means": ("101",)})
    plain = RelayWord.model_validate(table | {"samples": samples})
    assert relays_on(plain, "132", "x") == (0b10000100, {"102"})
    assert altered_word(plain, 0b10000100, ("101",), True) == 0b10000101
    assert altered_word(plain, 0b10000101, ("102", "101"), False) == 0b10000000
    low = RelayWord.model_validate(table | {"samples": samples, "inverted": True})
    assert relays_on(low, "132", "x") == (0b10000100, {"101"})
    assert altered_word(low, 0b10000100, ("102",), True) == 0b10000000
    assert altered_word(low, 0b10000000, ("101",), False) == 0b10000001


@pytest.mark.parametrize(
    ("formula", "terms", "code", "volts"),
    [
        # (code - yorg - yref) x yinc: (150 - 10 - 127) x 0.2
        ("code_minus_origin_minus_reference_times_increment",
         {"origin": 10.0, "reference": 127.0, "increment": 0.2}, 150, 2.6),
        # code x gain - offset: 100 x 0.05 - 1
        ("code_times_gain_minus_offset", {"gain": 0.05, "offset": 1.0}, 100, 4.0),
        # code / 25 x volts per division - offset: two divisions of 5 V, less 1.5 V
        ("code_over_codes_per_division_times_volts_per_division_minus_offset",
         {"codes_per_division": 25.0, "volts_per_division": 5.0, "offset": 1.5}, 50, 8.5),
    ],
)  # fmt: skip
def test_formulas(formula: str, terms: dict[str, float], code: int, volts: float) -> None:
    """Worked by hand, with every term different from nought."""
    assert FORMULAS[formula].line(terms).volts(code) == pytest.approx(volts, rel=1e-12)


def test_volts_as_floating_point_numbers() -> None:
    """At 20 V full scale a 16-bit code is 20/32768 V: 5 V is code 8192. Beyond the range, and infinity, at the end
    codes; a hole is no sample (SCPI-1999 vol. 1, 7.2.1: 9.91E37)."""
    table = Trace.model_validate(
        {
            "block_ask": "D?", "element": "f32", "order": "big", "formula": "volts",
            "samples": ({"means": {"samples": 4.0}, "code": 0, "volts": 0.0},),
        }
    )  # fmt: skip
    read = volts_as_codes(table, Preamble(4, 1e-6, 0.0, Line(1.0, 0.0), {}), 20.0)
    payload = np.array([5.0, -20.5, 9.9e37, -0.25], dtype=">f4").tobytes()
    assert codes_from(table, payload, read, "x").tolist() == [8192, -32768, 32767, -410]
    assert read.line.volts(8192) == pytest.approx(5.0, rel=1e-12)
    for wrong in (payload[:-1], np.array([1, 2, 3, 9.91e37], dtype=">f4").tobytes()):
        with pytest.raises(GarbledReply):
            codes_from(table, wrong, read, "x")
