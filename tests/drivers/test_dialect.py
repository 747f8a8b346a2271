"""Dialect files: the shipped ones are whole, broken ones are refused with file, key path, value and remedy."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from drivers.capabilities import NEEDS, RoleName
from drivers.dialect import DialectProblems, dialect_from_text, load_dialect, shipped_dialects
from drivers.errors import DialectError

SHIPPED: dict[str, RoleName] = {
    "generator-a": "generator",
    "digitiser-a": "digitiser",
    "digitiser-b": "digitiser",
    "supply-a": "supply",
    "supply-b": "supply",
    "load-switch-a": "load_switch",
    "thermometer-a": "thermometer",
}


def text_of(name: str) -> str:
    return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text(encoding="utf-8")


def test_the_shipped_ones() -> None:
    """One for each programming page."""
    assert set(shipped_dialects()) == set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_file_loads_and_checks_itself(name: str) -> None:
    dialect = load_dialect(name, SHIPPED[name])
    assert dialect.self_check() == ()
    assert dialect.role == SHIPPED[name]
    assert all("{" not in line and "?" not in line for line in dialect.make_safe_lines())


# Identity replies as the programming pages print them.
@pytest.mark.parametrize(
    ("name", "reply"),
    [
        ("generator-a", "HARBOUR INSTRUMENTS,FG-1,1234,1.4"),
        ("digitiser-a", "LIGHTSHIP,DS-4A,1234,02.11"),
        ("digitiser-b", "NORTHQUAY,Q4 SAMPLER,1234,7.0"),
        ("supply-a", "BILGE & KEEL,PS-6080,1234,3.2"),
        ("supply-b", "GANGWAY POWER,GP40-100,1234,B.07"),
        ("load-switch-a", "HARBOUR INSTRUMENTS,RB-32,1234,1.0"),
        ("thermometer-a", "LIGHTSHIP,TH-8,1234,1.1"),
    ],
)
def test_each_greets_its_own_instrument_only(name: str, reply: str) -> None:
    greeting = load_dialect(name, SHIPPED[name]).greeting()
    assert reply.startswith(greeting.identity_begins)
    others = [load_dialect(n, r).greeting() for n, r in SHIPPED.items() if n != name]
    assert not any(reply.startswith(other.identity_begins) for other in others)
    assert (greeting.identity_ask, greeting.error_ask, greeting.clear) == ("*IDN?", "SYST:ERR?", "*CLS")


def test_the_bench_may_ask_for_a_stricter_identity() -> None:
    greeting = load_dialect("supply-a", "supply").greeting("BILGE & KEEL,PS-6080,77")
    assert greeting.identity_begins == "BILGE & KEEL,PS-6080,77"


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    """Any path that ends in .toml; the channel of the bench file fills its placeholder."""
    path = tmp_path / "mine.dialect.toml"
    path.write_text(text_of("generator-a"), encoding="utf-8")
    assert load_dialect(path, "generator").make_safe_lines() == ("OUTP1 OFF",)
    assert load_dialect(str(path), "generator", channel=2).make_safe_lines() == ("OUTP2 OFF",)


# (what, dialect, text to replace, by what, key path, value as it stands in the message, part of the remedy)
BROKEN: list[tuple[str, str, str, str, str, str, str]] = [
    ("unknown key", "generator-a", 'round = "down"', 'round = "down"\nwithn = 1.0', "setting.level.withn", "1.0",
     "did you mean 'within'"),
    ("unknown table", "supply-a", "[make_safe]", "[makesafe]", "makesafe", "OUTP OFF", "did you mean 'make_safe'"),
    ("unknown setting", "supply-a", "[setting.limit]", "[setting.limits]", "setting.limits", "limits",
     "a supply has: output"),
    ("missing setting", "supply-a", "[setting.limit]", "[setting.limits]", "setting.limit", "None",
     "add [setting.limit]"),
    ("missing act", "digitiser-a", "[act.arm]", "[act.go]", "act.arm", "None", "add [act.arm]"),
    ("format", "supply-a", "format = 1", "format = 2", "format", "2", "1"),
    ("format as text", "supply-a", "format = 1", 'format = "1"', "format", "'1'", "1"),
    ("no role", "supply-a", 'role = "supply"\n', "", "role", "None", "add it"),
    ("unknown role", "supply-a", 'role = "supply"', 'role = "battery"', "role", "'battery'", "'generator'"),
    ("text for number", "supply-a", "reply_within_s = 2.0", 'reply_within_s = "2"', "link.reply_within_s", "'2'",
     "number"),
    ("unknown terminator", "supply-a", "reply_within_s = 2.0", 'read_end = ";"', "link.read_end", "';'", "'\\n'"),
    ("unknown formula", "digitiser-a", "code_minus_reference_times_increment_plus_origin", "code * increment",
     "trace.formula", "'code * increment'", "code_minus_offset_times_multiplier_plus_zero"),
    ("terms of the other formula", "digitiser-a", "code_minus_reference_times_increment_plus_origin",
     "code_minus_offset_times_multiplier_plus_zero", "trace.fields", "increment", "exactly these terms"),
    ("unknown conversion", "digitiser-b", "attenuation_to_gain", "attenuation_to_db", "setting.probe.convert",
     "'attenuation_to_db'", "attenuation_to_gain"),
    ("conversion of another setting", "digitiser-b", '"attenuation_to_gain"', '"vrms_to_vpp"', "setting.probe.convert",
     "'vrms_to_vpp'", "attenuation_to_gain"),
    ("divisions missing", "digitiser-b", "half_divisions = 5.0\n", "", "setting.full_scale.half_divisions", "None",
     "needed"),
    ("unknown placeholder", "supply-a", "VOLT {volts}", "VOLT {volts},{chan}", "setting.volts.send",
     "'VOLT {volts},{chan}'", "unknown placeholder {chan}"),
    ("value not sent", "supply-a", "VOLT {volts}", "VOLT 24", "setting.volts.send", "['VOLT 24']", "exactly one {volts}"),
    ("format language", "supply-a", "VOLT {volts}", "VOLT {volts:.3f}", "setting.volts.send", "VOLT {volts:.3f}",
     "unknown placeholder"),
    ("question among the told", "supply-a", "VOLT {volts}", "VOLT {volts};VOLT?", "setting.volts.send",
     "VOLT {volts};VOLT?", "move the question"),
    ("two commands in one", "supply-a", '"OUTP {state}"', '"OUTP {state};*WAI"', "setting.output.send", "*WAI",
     "one command a message"),
    ("no question", "supply-a", 'ask = "CURR?"', 'ask = "CURR"', "setting.limit.ask", "'CURR'", "exactly one question"),
    ("not read back", "supply-a", 'ask = "CURR?"', "not_readable = true", "setting.limit.not_readable", "True",
     "read"),
    ("no tolerance", "supply-b", "within = 0.0015\nsamples = [{ reply = \"24.000\"", "samples = [{ reply = \"24.000\"",
     "setting.volts.within", "None", "how far"),
    ("tolerance that hides one percent", "supply-b", "within = 0.0015\nsamples = [{ reply = \"24.000\"",
     "within = 1.0\nsamples = [{ reply = \"24.000\"", "setting.volts.samples[0]", "'24.000'", "1 % off"),
    ("too few digits", "generator-a", "decimals = 4                      #", "decimals = 1                      #",
     "setting.level.samples[1]", "'+1.2700000E+00'", "too few digits"),
    ("decimals and digits", "generator-a", "digits = 11", "digits = 11\ndecimals = 3", "setting.frequency.decimals",
     "3", "one of the two"),
    ("level rounded up", "generator-a", 'round = "down"', 'round = "nearest"', "setting.level.round", "'nearest'",
     "ceiling"),
    ("no least level", "generator-a", "smallest = 0.0001\n", "", "setting.level.smallest", "None", "least value"),
    ("endless burst", "generator-a", "decimals = 0\n", 'decimals = 0\ninfinite = "INF"\n', "setting.cycles.infinite",
     "'INF'", "never be infinite"),
    ("no word for infinity", "generator-a", 'infinite = "INF"\n', "", "setting.load.infinite", "None", "INF"),
    ("word missing", "generator-a", 'words = { bus = "BUS" }', 'words = { outside = "EXT" }',
     "setting.trigger_source.words", "outside", "word for: bus"),
    ("unknown word", "generator-a", 'words = { bus = "BUS" }', 'words = { outside = "EXT" }',
     "setting.trigger_source.words.outside", "'EXT'", "words of this setting: bus"),
    ("wrong kind", "thermometer-a", 'kind = "word"\nwords = { celsius = "C" }\nsend = ["UNIT:TEMP {unit}"]\n'
     'ask = "UNIT:TEMP?"\nsamples = [{ reply = "C", means = "celsius" }]',
     'kind = "number"\ndecimals = 1\nsend = ["UNIT:TEMP {unit}"]\nask = "UNIT:TEMP?"\n'
     'samples = [{ reply = "1", means = 1.0 }]', "setting.unit.kind", "'number'", "this setting is a word"),
    ("wrong kind of each", "load-switch-a", 'kind = "boolean"', 'kind = "number"', "each.states.kind", "'number'",
     "it is a boolean"),
    ("no kind", "generator-a", 'kind = "boolean"\nsend = ["OUTP{channel} {state}"]', 'send = ["OUTP{channel} {state}"]',
     "setting.output", "None", "say kind = one of number, boolean, word"),
    ("order", "generator-a", 'changes = ["level"]\nsamples = [{ reply = "9.9E+37"',
     'changes = ["shape"]\nsamples = [{ reply = "9.9E+37"', "setting.load.changes", "'shape'", "shape is set before load"),
    ("sample that does not parse", "supply-b", 'reply = "VOLT 23.998"', 'reply = "23.998"',
     "reading.measured[0].samples[0]", "'23.998'", "does not begin with 'VOLT'"),
    ("sample of another value", "thermometer-a", "means = [23.5, 24.1]", "means = [23.5, 25.1]",
     "each.temperatures.samples[0]", "+2.41000000E+01", "not {'101': 23.5, '102': 25.1}"),
    ("sample that is a sentinel", "thermometer-a", "+2.41000000E+01", "+9.90000000E+37", "each.temperatures.samples[0]",
     "+9.90000000E+37", "open"),
    ("bit with another meaning", "supply-a", "over_current = 10 }\nsamples = [\n",
     "over_current = 1, }\nsamples = [\n".replace(", }", " }"), "status[0].bits", "'over_current': 1",
     "two meanings share a bit"),
    ("bits of the other family", "supply-a",
     "{ in_current_limit = 0, constant_voltage = 1, too_hot = 4, over_voltage = 9, over_current = 10 }\nsamples = [\n",
     "{ over_voltage = 0, over_current = 1, too_hot = 4, in_current_limit = 10 }\nsamples = [\n",
     "status[0].samples[0]", "'2'", "over_current"),
    ("unknown meaning", "supply-b", "unregulated = 10 }\nsamples = [{ reply = \"0\"",
     "sagging = 10 }\nsamples = [{ reply = \"0\"", "status[0].bits.sagging", "10", "in_current_limit"),
    ("no latched register", "supply-a", "latched = true", "latched = false", "status.bits.in_current_limit", "None",
     "no latched register"),
    ("latched as a number", "supply-a", "latched = true", "latched = 1", "status[1].latched", "1", "boolean"),
    ("no count of captures", "digitiser-a", 'counter_ask = ":ACQ:COUN?"', "", "completion.counter_ask", "None",
     "count of complete captures"),
    ("unknown completion", "digitiser-a", 'kind = "state_word"', 'kind = "hope"', "completion.kind", "'hope'",
     "'blocking_query'"),
    ("no completion query", "digitiser-b", 'done_ask = "*OPC?"\n', "", "completion.done_ask", "None",
     "needed by blocking_query"),
    ("no ready state", "digitiser-b", 'ready = ["READY"], ', "", "completion.states.ready", "None", "words"),
    ("unknown element", "digitiser-a", 'element = "u16"', 'element = "f32"', "trace.element", "'f32'", "'i16'"),
    ("field beyond the preamble", "digitiser-b", "zero = 8 }", "zero = 9 }", "trace.fields.zero", "9", "0 to 8"),
    ("known code with other volts", "digitiser-b", "volts = 6.25", "volts = 12.5", "trace.samples[0].volts", "12.5",
     "code 8192 is 6.25 V"),
    ("nothing makes it safe", "generator-a", '[make_safe]                       # ends a running burst at once\nsend = '
     '["OUTP{channel} OFF"]', "", "make_safe.send", "[]", "harmless"),
    ("a question among the make-safe lines", "supply-a", 'send = ["OUTP OFF"]', 'send = ["OUTP OFF", "OUTP?"]',
     "make_safe.send", "'OUTP?'", "must not ask"),
    ("no error queue named", "supply-a", '[errors]\nask = "SYST:ERR?"\n', "", "errors", "None", 'absent = ["errors"]'),
    ("absent and described", "generator-a", 'role = "generator"', 'role = "generator"\nabsent = ["level_unit"]',
     "absent", "'level_unit'", "described too"),
    ("what may not be absent", "supply-a", 'role = "supply"', 'role = "supply"\nabsent = ["limit"]', "absent",
     "'limit'", "only these may be absent"),
    ("no time to settle", "load-switch-a", "settle_s = 0.03", "inputs = 4", "facts.settle_s", "None", "add settle_s"),
    ("fact of another role", "load-switch-a", "settle_s = 0.03", "inputs = 4", "facts.inputs", "4", "take it out"),
    ("no list of contacts", "load-switch-a", "ROUT:CLOS {contacts}", "ROUT:CLOS (@101)", "act.close.send",
     "ROUT:CLOS (@101)", "exactly one {contacts}"),
    ("a table of another role", "thermometer-a", "[make_safe]", "[act.fire]\nsend = [\"*TRG\"]\n[make_safe]", "act.fire",
     "'fire'", "a thermometer has: none"),
    ("control characters", "supply-a", '"OUTP {state}"', '"OUTP {state}\\nVOLT 60"', "setting.output.send[0]",
     "VOLT 60", "pattern"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "there", "instead", "key", "value", "remedy"),
    [b[1:] for b in BROKEN],
    ids=[b[0] for b in BROKEN],
)
def test_a_broken_file_is_refused(
    name: str, there: str, instead: str, key: str, value: str, remedy: str
) -> None:
    """File, key path, value, remedy: what a person needs to mend it."""
    text = text_of(name)
    assert there in text
    with pytest.raises(DialectProblems) as caught:
        dialect_from_text(text.replace(there, instead), "mine.dialect.toml", SHIPPED[name])
    found = [p for p in caught.value.problems if p.key == key]
    assert found, f"{key} is not among:\n{caught.value}"
    assert any(value in repr(p.value) and remedy in p.remedy for p in found), str(caught.value)
    assert all(p.file == "mine.dialect.toml" for p in found)


def test_all_problems_are_listed_together() -> None:
    """Three mistakes, one refusal, each on a line of its own."""
    text = text_of("generator-a").replace('round = "down"', 'round = "nearest"')
    text = text.replace("digits = 11", "digits = 11\ndecimals = 3").replace("[act.fire]", "[act.shoot]")
    with pytest.raises(DialectProblems) as caught:
        dialect_from_text(text, "mine.toml", "generator")
    keys = {p.key for p in caught.value.problems}
    assert keys == {"setting.level.round", "setting.frequency.decimals", "act.fire", "act.shoot"}
    assert str(caught.value).count("mine.toml: ") == 4
    assert isinstance(caught.value, DialectError)


def test_the_wrong_role_is_said_alone() -> None:
    """The rules of the other role would drown it."""
    with pytest.raises(
        DialectProblems, match="is for a supply, the bench uses it for its generator"
    ) as caught:
        load_dialect("supply-a", "generator")
    assert [p.key for p in caught.value.problems] == ["role"]


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        ("format = 1\nformat = 2\n", "line 2", "format = 2"),
        ("[link]\nclear = ''\n[link]\n", "line 3", "[link]"),
        ("= 3", "line 1", "= 3"),
        ("format = 1\nrole =", "line 2", "role ="),
        ("[link]\nclear = ''\nclear = ''\nopening = []", "line 3", "clear = ''"),
    ],
)
def test_what_is_no_toml_or_given_twice(text: str, key: str, value: str) -> None:
    """TOML 1.0: a key or table may be defined once only. The line stands in for the key path."""
    with pytest.raises(DialectProblems, match="not TOML, or given twice") as caught:
        dialect_from_text(text, "mine.toml", "supply")
    assert [(p.key, p.value) for p in caught.value.problems] == [(key, value)]


def test_unknown_names_and_paths(tmp_path: Path) -> None:
    with pytest.raises(DialectProblems, match="shipped: digitiser-a"):
        load_dialect("generator-z", "generator")
    with pytest.raises(DialectProblems, match="can't be read"):
        load_dialect(str(tmp_path / "none.toml"), "generator")
    for climbing in ("../errors", "dialects/generator-a", ""):
        with pytest.raises(DialectProblems, match="no such dialect"):
            load_dialect(climbing, "generator")


def test_every_capability_of_a_role_is_used_by_a_shipped_file() -> None:
    """No capability is listed that no instrument of ours has."""
    for role, needs in NEEDS.items():
        described = {s for n, r in SHIPPED.items() if r == role for s in load_dialect(n, r).settings}
        assert described == set(needs.settings)
