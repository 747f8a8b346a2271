"""Interlock and cut-off on paper: what a bench's file may say of them, what they stand in for, what is shown, and how
they are made safe. What must be there for a night alone: common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers.dialect import load_dialect
from sequencer.errors import InputRefused
from sequencer.faults_file import load_faults
from sequencer.plan.arming import _of_bench
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench
from sequencer.plan.unattended import NEEDED, missing, seen
from sequencer.plan.watching import FED_S, Periods, fastest_heating, periods
from sequencer.roles import load_dialects
from sequencer.safety.frozen_bench import Held, freeze
from sequencer.safety.make_safe import Order, acts, perform
from tests.sequencer.sound_inputs import SOUND, problems, write
from tests.sequencer.test_make_safe import FakeBench, FakeClock

LINE = load_bench("line_workshop").model
ROLES = """
[role.interlock]
address = "TCPIP::127.0.0.1::6101::SOCKET"
dialect = "interlock-a"
[role.cut_off]
address = "TCPIP::127.0.0.1::6102::SOCKET"
dialect = "cut-off-a"
"""
CONTACTS = '[[interlock]]\nname = "emergency stop"\ncontact = "401"\n[[interlock]]\nname = "cover"\ncontact = "402"\n'
INTERLOCK, CUT_OFF = (f"[role.{part}" for part in ROLES.split("[role.")[1:])


def told(folder: Path, more: str) -> list[str]:
    texts = dict(SOUND) | {"bench": SOUND["bench"] + more}
    return [str(problem) for problem in problems(write(folder, texts))]


def test_a_bench_may_have_both(tmp_path: Path) -> None:
    assert told(tmp_path, ROLES + CONTACTS + "[cut_off]\nhold_s = 2.0\n") == []


@pytest.mark.parametrize(
    ("more", "key", "remedy"),
    [
        (INTERLOCK, "interlock = (nothing)", "[[interlock]] with name and contact"),
        (CONTACTS, "role.interlock = (nothing)", "add this role"),
        (INTERLOCK + CONTACTS.replace("cover", "emergency stop"), "interlock[1].name = ", "given twice"),
        (INTERLOCK + CONTACTS.replace("402", "401"), 'interlock[1].contact = "401"', "given twice"),
        (INTERLOCK + CONTACTS + 'contacts = "403"', "interlock[1].contacts", "did you mean contact?"),
        ("[cut_off]\nhold_s = 3.0", "role.cut_off = (nothing)", "add this role"),
        (CUT_OFF + "[cut_off]\nhold_s = 1.9", "cut_off.hold_s = 1.9", "3 x 0.5 s from one look of the watch to the next"
         " + 0.5 s = 2 s"),
        (CUT_OFF + "[cut_off]\nhold_s = 31.0", "cut_off.hold_s = 31.0", "30"),
        (CUT_OFF + "[cut_off]\nhold_s = '2'", "cut_off.hold_s", "without quotes"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(more: str, key: str, remedy: str, tmp_path: Path) -> None:
    assert any(f"bench.toml: {key}" in line and remedy in line for line in told(tmp_path, more)), told(tmp_path, more)


def test_a_dialect_of_another_role_is_refused(tmp_path: Path) -> None:
    more = CUT_OFF.replace("cut-off-a", "supply-a")
    paths = write(tmp_path, dict(SOUND) | {"bench": SOUND["bench"] + more})
    with pytest.raises(InputRefused, match="this file is for a supply, the bench uses it for its cut_off"):
        load_dialects(load_bench(paths["bench"]))


# --- what they stand in for


def bench_with(roles: set[str], names: tuple[str, ...], **hardware: bool) -> Bench:
    """The line bench with these optional roles, contacts and declarations only."""
    role = {name: one for name, one in LINE.role.items() if name not in {"interlock", "cut_off"} - roles}
    contacts = tuple(one for one in LINE.interlock if one.name in names)
    declared = LINE.hardware.model_copy(update=dict.fromkeys(NEEDED, False) | hardware)
    return LINE.model_copy(update={"role": role, "interlock": contacts, "hardware": declared})


@pytest.mark.parametrize(
    ("roles", "names", "declared", "lacks"),
    [
        (set(), (), {}, set(NEEDED)),
        (set(), (), dict.fromkeys(NEEDED, True), set()),
        ({"cut_off"}, (), {}, set(NEEDED) - {"cut_off"}),
        ({"interlock"}, ("load thermostat",), {}, set(NEEDED) - {"load_thermostat"}),
        ({"interlock"}, ("emergency stop", "cover"), {}, set(NEEDED)),
        (set(), ("load thermostat",), {}, set(NEEDED)),  # nobody reads it
        ({"interlock", "cut_off"}, ("load thermostat",), {"fireproof_base": True, "fuse_per_supply_lead": True}, set()),
    ],
)
def test_what_a_night_alone_lacks(
    roles: set[str], names: tuple[str, ...], declared: dict[str, bool], lacks: set[str]
) -> None:
    assert set(missing(bench_with(roles, names, **declared))) == lacks


def test_the_line_bench_needs_no_more() -> None:
    assert missing(LINE) == []
    assert seen(LINE) == ("load_thermostat", "cut_off")


def test_a_stage_for_nobody_there_is_refused_with_both_ways_out(tmp_path: Path) -> None:
    texts = dict(SOUND) | {"plan": SOUND["plan"].replace('"20 cycles"', '"steady 1 s"')}
    found = {problem.key: problem.remedy for problem in problems(write(tmp_path, texts))}
    assert "or have a [role.cut_off]" in found["hardware.cut_off"]
    assert '[[interlock]] contact named "load thermostat"' in found["hardware.load_thermostat"]
    assert "or have" not in found["hardware.fireproof_base"]
    texts["bench"] += ROLES + CONTACTS.replace("cover", "load thermostat")
    found = {problem.key: problem.remedy for problem in problems(write(tmp_path, texts))}
    assert {key for key in found if key.startswith("hardware")} == {
        "hardware.fuse_per_supply_lead",
        "hardware.fireproof_base",
    }


# --- what is shown before arming


def test_what_is_proved_read_or_only_declared_is_told_apart() -> None:
    lines = list(_of_bench(LINE))
    proved = "hardware proved each night before anything is powered: cut-off relay, dropped when not fed for 2 s"
    assert f"  {proved}" in lines
    assert "  hardware read while a unit may be powered: emergency stop, load thermostat, cover" in lines
    assert lines[-1] == "  hardware declared, not seen: a fuse per supply lead, fire-proof base"


def test_a_bench_without_them_shows_what_it_did() -> None:
    declared = dict.fromkeys(NEEDED, True)
    (_, last) = _of_bench(bench_with(set(), (), **declared))
    assert last == (
        "  hardware declared: thermostat on the loads, a fuse per supply lead, fire-proof base, "
        "cut-off relay that drops when not fed"
    )
    assert list(_of_bench(bench_with(set(), ())))[-1].endswith("declared: none: bursts, and soaks up to 1/8 power only")


# --- how often it is fed


def test_a_bench_with_a_cut_off_is_looked_at_often_enough_to_feed_it() -> None:
    """At least three turns in its hold time, however slowly its unit heats."""
    unit = load_unit("ferry_pa_line_120").model
    slow = unit.model_copy(update={"heatsink_j_per_k": 1e6})
    assert fastest_heating(slow, LINE).driven_k_per_s < 0.01
    found = periods(slow, LINE)
    assert 3 * max(found.driven_s, found.undriven_s) <= LINE.cut_off.hold_s
    assert found == Periods(FED_S, FED_S)
    assert periods(slow, bench_with(set(), ())).undriven_s > 1.0


# --- making safe


class WithRelay(FakeBench):
    @property
    def cut_off(self) -> SimpleNamespace | None:
        return SimpleNamespace(make_safe=lambda: self._do("cut_off", "released"))


@pytest.mark.parametrize("order", ["normal", "fault"])
async def test_it_is_released_once_the_rail_is_down_or_beside_the_supply(order: Order) -> None:
    bench, clock = WithRelay(), FakeClock()
    report = await perform(acts(order, bleed_s=10.0, cut_off=True), order, bench, clock)
    if order == "fault":
        assert bench.said[:3] == ["signal off", "supply off", "released"]
    else:  # while it is in, the supply's meter sees the unit's own rail fall
        assert bench.said[-3:] == ["read", "released", "loads open"]
        assert clock.now_s >= 10.0  # it may have dropped by its own clock: the unit has all its time
    assert report.confirmed
    assert report.words["cut-off released"] == "confirmed, reads dropped"


@pytest.mark.parametrize("order", ["normal", "fault"])
async def test_one_that_stays_in_under_a_rail_seen_down_is_told_and_counts_no_more(order: Order) -> None:
    bench = WithRelay(dead={"cut_off"})
    report = await perform(acts(order, bleed_s=10.0, cut_off=True), order, bench, FakeClock())
    assert report.confirmed
    assert report.unconfirmed == ["cut-off released"]
    assert report.words["cut-off released"].startswith("not confirmed: cut_off does not answer")
    assert ("loads open" in bench.said) is (order == "normal")


async def test_under_a_rail_that_nobody_sees_it_counts() -> None:
    bench = WithRelay(dead={"cut_off", "supply"})
    report = await perform(acts("fault", bleed_s=10.0, cut_off=True), "fault", bench, FakeClock())
    assert set(report.missing) == {"supply off", "cut-off released", "rail down"}


def test_it_stands_in_the_frozen_file() -> None:
    """Lines by its programming page."""
    dialects = {
        "generator": load_dialect("generator-a", "generator"),
        "supply": load_dialect("supply-a", "supply"),
        "cut_off": load_dialect("cut-off-a", "cut_off"),
    }
    addresses = {name: LINE.role[name].address for name in LINE.role}
    held = Held("r1", "line", 4321, 987654, "/var/tmp/record.jsonl", 10.0)
    *others, relay = freeze(held, dialects, addresses).instruments
    assert [one.role for one in others] == ["generator", "supply"]
    assert (relay.role, relay.off, relay.off_ask) == ("cut_off", ("REL:STAT OFF",), "REL:STAT?")
    assert "0" in relay.off_words
    assert "1" not in relay.off_words
    del dialects["cut_off"]
    assert list(freeze(held, dialects, addresses).instruments) == others


# --- declared faults


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        ('kind = "open"\nat_s = 1.0', "barrier[0].contact = ''", "which contact opens"),
        ('kind = "welded"\nat_s = 1.0\ncontact = "401"', "barrier[0].contact = '401'", "only a contact that opens"),
        ('kind = "welded"', "barrier[0].at_s", "needed"),
    ],
)
def test_a_fault_that_cannot_be_declared(text: str, key: str, remedy: str, tmp_path: Path) -> None:
    (tmp_path / "faults.toml").write_text(f"format = 1\n[[barrier]]\n{text}\n")
    with pytest.raises(InputRefused) as caught:
        load_faults(tmp_path / "faults.toml")
    assert any(key in str(one) and remedy in str(one) for one in caught.value.problems), caught.value.problems
