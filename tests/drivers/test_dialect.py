"""Dialect files: the shipped ones are whole; broken ones are refused with file, key path, value, remedy."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from drivers.capabilities import NEEDS, RoleName
from drivers.dialect import DialectProblems, dialect_from_text, load_dialect, shipped_dialects
from drivers.errors import DialectError
from tests.drivers.broken_dialects import BROKEN

SHIPPED: dict[str, RoleName] = {
    "generator-a": "generator",
    "generator-b": "generator",
    "generator-c": "generator",
    "digitiser-a": "digitiser",
    "digitiser-b": "digitiser",
    "digitiser-c": "digitiser",
    "supply-a": "supply",
    "supply-b": "supply",
    "supply-c": "supply",
    "load-switch-a": "load_switch",
    "load-switch-b": "load_switch",
    "load-switch-c": "load_switch",
    "thermometer-a": "thermometer",
    "thermometer-b": "thermometer",
    "thermometer-c": "thermometer",
    "meter-a": "meter",
    "meter-b": "meter",
    "meter-c": "meter",
    "interlock-a": "interlock",
    "cut-off-a": "cut_off",
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
        ("meter-a", "NORTHQUAY,TM-6,1234,4.1"),
        ("generator-b", "SALTMARSH,WG-12,1234,2.03"),
        ("generator-c", "HARBOUR INSTRUMENTS,KV-5,1234,5.1"),
        ("digitiser-c", "PILOT CUTTER,D-10,1234,3.30"),
        ("supply-c", "SALTMARSH,TP-3,1234,1.19"),
        ("load-switch-b", "WINDLASS,CM-48,1234,1.6"),
        ("load-switch-c", "PILOT CUTTER,DL-48,1234,2.2"),
        ("thermometer-b", "WINDLASS,TS-16,1234,4.0"),
        ("thermometer-c", "BINNACLE T16 s1234 v1.3"),
        ("meter-b", "PILOT CUTTER,V-6,1234,1.02"),
        ("meter-c", "BINNACLE VM-4 s1234 v2.0"),
        ("interlock-a", "NORTHQUAY,IN-8,1234,1.2"),
        ("cut-off-a", "BILGE & KEEL,CR-80,1234,2.0"),
    ],
)
def test_each_greets_its_own_instrument_only(name: str, reply: str) -> None:
    greeting = load_dialect(name, SHIPPED[name]).greeting()
    assert reply.startswith(greeting.identity_begins)
    others = [load_dialect(n, r).greeting() for n, r in SHIPPED.items() if n != name]
    assert not any(reply.startswith(other.identity_begins) for other in others)
    others_ask = {
        "generator-c": ("*IDN?", "FAULT?", ""),
        "digitiser-c": ("*IDN?", "ERR?", "*CLS"),
        "thermometer-c": ("I", "", ""),
        "meter-c": ("ID?", "*ESR?", "*CLS"),
    }
    asks = others_ask.get(name, ("*IDN?", "SYST:ERR?", "*CLS"))
    assert (greeting.identity_ask, greeting.error_ask, greeting.clear) == asks


def test_the_bench_may_ask_for_a_stricter_identity() -> None:
    greeting = load_dialect("supply-a", "supply").greeting("BILGE & KEEL,PS-6080,77")
    assert greeting.identity_begins == "BILGE & KEEL,PS-6080,77"


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    """Any path that ends in .toml; the channel of the bench file fills its placeholder."""
    path = tmp_path / "mine.dialect.toml"
    path.write_text(text_of("generator-a"), encoding="utf-8")
    assert load_dialect(path, "generator").make_safe_lines() == ("OUTP1 OFF",)
    assert load_dialect(str(path), "generator", channel=2).make_safe_lines() == ("OUTP2 OFF",)


@pytest.mark.parametrize(
    ("name", "there", "instead", "key", "value", "remedy"),
    [b[1:] for b in BROKEN],
    ids=[b[0] for b in BROKEN],
)
def test_a_broken_file_is_refused(name: str, there: str, instead: str, key: str, value: str, remedy: str) -> None:
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
    with pytest.raises(DialectProblems, match="is for a supply, the bench uses it for its generator") as caught:
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
    with pytest.raises(DialectProblems, match="shipped: cut-off-a"):
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
