"""That a fault really struck, and in the phase meant: by the simulators' own log and the world, never by the night's
own record.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

from simulators.faults import LINK_KINDS, REPLY_KINDS
from simulators.panels.thermometer_a import OPEN
from tests.wire.fault_cases import FOR_S, LINK, Case
from tests.wire.fault_matrix import ROLES, SLOTS, Moment, Run, Seen, Slot
from tests.wire.safety_nights import FRONT, Said

# Who is asked nothing in a phase: there is no reply to spoil, only the link as a whole can fail.
REASONS = {
    "generator": "it is spoken to only while a shot is set and fired",
    "digitiser": "it is spoken to only from its being armed to its memory's being read",
    "supply": "it is read before the first shot, while a tone sounds, with each shot's data and between shots",
    "load_switch": "no contact moves while a point is measured",
    "thermometer": "it is read between shots, and every second while a tone sounds",
}
NOT_ASKED: dict[str, tuple[Slot, ...]] = {
    "generator": (
        *product(("burst", "steady"), ("settle", "read", "rest")), ("", "relay change"), ("", "cool")
    ),
    "digitiser": (*product(("burst", "steady"), ("rest",)), ("", "relay change"), ("", "cool")),
    "supply": (
        ("steady", "settle"), *product(("burst", "steady"), ("ramp", "back off")), ("", "relay change")
    ),
    "load_switch": tuple(slot for slot in SLOTS if slot != ("", "relay change")),
    "thermometer": (
        *product(("burst",), ("fire", "confirm")), *product(("burst", "steady"), ("ramp", "read", "back off")),
        ("", "relay change"),
    ),
}  # fmt: skip
IMPOSSIBLE: dict[Case, str] = {
    Case(kind, role, slot): REASONS[role]
    for role, slots in NOT_ASKED.items()
    for slot in slots
    for kind in LINK
    if kind in REPLY_KINDS
}

TAKEN_NS = 10_000_000

# What the world has of each from that instant on: before, after -> it struck.
STRUCK: dict[str, Callable[[Seen, Seen], bool]] = {
    "short": lambda before, after: (_fault(before), _fault(after)) == ("none", "shorted"),
    "supply lead off": lambda before, after: before.setting.feed.on and not after.setting.feed.on,
    "sensor broken": lambda before, after: before.sensor_c != OPEN == after.sensor_c,
    "protection latched": lambda before, after: after.setting.cut and not before.setting.cut,
    "runaway": lambda before, after: _idle_a(after) > 2.0 * _idle_a(before) > 0.0,
}


def _fault(seen: Seen) -> str:
    assert seen.setting.unit is not None
    return seen.setting.unit.channels[0].fault


def _idle_a(seen: Seen) -> float:
    assert seen.setting.unit is not None
    return seen.setting.unit.feed.idle_a


def assert_struck(run: Run, case: Case, sound: Run, moment: Moment) -> None:
    """Within the phase, which is that of the night without faults: until then both logs are the same."""
    ended = run.ended
    assert ended.struck_ns, f"{case.name}: never struck"
    at_ns = ended.struck_ns[0]
    assert moment.has(at_ns), (case.name, at_ns * 1e-9, moment.at_s, moment.until_s)
    until = [s for s in ended.said if s.at_ns < at_ns]
    assert until == [s for s in sound.ended.said if s.at_ns < at_ns], case.name
    if case.role == "unit":
        before, after = run.seen
        assert before.at_ns == after.at_ns == at_ns
        assert STRUCK[case.kind](before, after), (case.name, before, after)
    else:
        _assert_link_struck(run, case, sound, at_ns)


def _assert_link_struck(run: Run, case: Case, sound: Run, at_ns: int) -> None:
    """By its own line in the log, and by what the instrument's log has or lacks from then on."""
    own = [s for s in run.ended.said if s.front == FRONT[case.role]]
    line = Said(at_ns, FRONT[case.role], f"({case.kind})")
    assert next(s for s in run.ended.said if s.message.startswith("(")) == line, case.name
    number = own.index(line)
    if case.kind in REPLY_KINDS:  # the question whose reply it spoiled
        asked = own[number - 1]
        assert (asked.at_ns, "?" in asked.message) == (at_ns, True), case.name
        assert asked in sound.ended.said, case.name
        return
    gone_ns = at_ns + round(FOR_S.get(case.kind, 0.0) * 1e9)
    later = [one for one in own[number + 1 :] if one.at_ns < gone_ns]
    if case.kind == "refused":  # what was taken in before is still carried out
        later = [one for one in later if one.at_ns > at_ns + TAKEN_NS]
    assert later == [], f"{case.name}: it went on"


def assert_no_other_is_impossible(moments: dict[Slot, Moment]) -> None:
    """Instrument, kind and phase: the table, and what the log of the night without faults makes possible, are all."""
    able = {
        Case(kind, role, slot)
        for role, kind, slot in product(ROLES, LINK, SLOTS)
        if kind in LINK_KINDS or role in moments[slot].asked
    }
    assert able.isdisjoint(IMPOSSIBLE)
    assert able | set(IMPOSSIBLE) == {Case(kind, role, slot) for role, kind, slot in product(ROLES, LINK, SLOTS)}
