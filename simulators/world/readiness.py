"""Whether a unit is on, still muted, cut off by its protection, or shut for want of signal."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.world.heat import Warmth
from simulators.world.layout import Bay
from simulators.world.setting import Feed
from simulators.world.signals import Tone
from simulators.world.timeline import Segment
from simulators.world.unit_truth import GateTruth, UnitTruth

RELEASE_NS = 5_000_000_000  # without supply or remote line for this long, a latched protection lets go
COOLER_K = 5.0
NEVER_NS = 1 << 62


@dataclass(frozen=True)
class Due:
    """A cut that will come if nothing changes before."""

    at_ns: int
    reason: str
    tone: Tone | None


@dataclass
class Gate:
    """Open from opens_ns to shuts_ns."""

    opens_ns: int = NEVER_NS
    shuts_ns: int = NEVER_NS

    def is_open(self, at_ns: int) -> bool:
        return self.opens_ns <= at_ns < self.shuts_ns

    def signal(self, truth: GateTruth, tone: Tone) -> None:
        """A tone begins; one that ends before the gate has opened does not open it."""
        end_ns = NEVER_NS if tone.end_ns is None else tone.end_ns
        if not self.is_open(tone.start_ns):
            opens_ns = tone.start_ns + round(truth.open_s * 1e9)
            self.opens_ns = opens_ns if opens_ns < end_ns else NEVER_NS
        self.shuts_ns = end_ns + round(truth.hold_s * 1e9)

    def silence(self, truth: GateTruth, at_ns: int) -> None:
        """The signal has been taken away."""
        if self.is_open(at_ns):
            self.shuts_ns = min(self.shuts_ns, at_ns + round(truth.hold_s * 1e9))
        else:
            self.opens_ns = NEVER_NS


@dataclass
class Readiness:
    """Of all bays. energised: the bay whose unit has volts enough, and since when."""

    energised: tuple[str, int] | None = None
    remote_off: set[str] = field(default_factory=set)
    cuts: dict[str, Due] = field(default_factory=dict)
    due: Due | None = None
    gates: dict[str, Gate] = field(default_factory=dict)
    _off_ns: dict[str, int] = field(default_factory=dict)

    def update(self, bay: Bay | None, feed: Feed, closed: frozenset[str], at_ns: int) -> UnitTruth | None:
        """Note what is energised; the unit, if it has just become so."""
        unit = bay.unit if bay else None
        if bay is None or unit is None or not self._fed(bay, unit, feed, closed):
            self._off(at_ns)
            return None
        if self.energised is not None and self.energised[0] == bay.name:
            return None
        self._off(at_ns)
        self.energised = (bay.name, at_ns)
        self._release(bay.name, unit, at_ns)
        return unit

    def _fed(self, bay: Bay, unit: UnitTruth, feed: Feed, closed: frozenset[str]) -> bool:
        remote = bay.remote_contact is None or bay.remote_contact in closed
        return feed.on and feed.volts >= unit.feed.start_v and remote and bay.name not in self.remote_off

    def _off(self, at_ns: int) -> None:
        if self.energised is not None:
            self._off_ns[self.energised[0]] = at_ns
            self.gates.pop(self.energised[0], None)
        self.energised = self.due = None

    def _release(self, bay: str, unit: UnitTruth, at_ns: int) -> None:
        latched = unit.protection is not None and unit.protection.returns_after_s is None
        if not latched or at_ns - self._off_ns.get(bay, at_ns) >= RELEASE_NS:
            self.cuts.pop(bay, None)

    def is_live(self, bay: Bay, at_ns: int) -> bool:
        """Energised, and no longer muted."""
        if self.energised is None or self.energised[0] != bay.name or bay.unit is None:
            return False
        return at_ns >= self.energised[1] + round(bay.unit.feed.mute_s * 1e9)

    def is_shut(self, bay: Bay, at_ns: int) -> bool:
        """A gate keeps the signal out."""
        if bay.unit is None or bay.unit.gate is None:
            return False
        return not self.gates.get(bay.name, Gate()).is_open(at_ns)

    def cut(self, bay: str, due: Due) -> bool:
        """Cut now, if it is still due."""
        if self.due != due:
            return False
        self.cuts[bay], self.due = due, None
        return True

    def expect(self, segment: Segment, warmth: Warmth, now_ns: int) -> Due | None:
        """The cut that is due in this segment, if it is a new one."""
        due = first_due(segment, warmth, now_ns)
        before, self.due = self.due, due
        if due is None or before is None or due.reason != before.reason:
            return due
        if before.tone is segment.setting.tone and before.at_ns < due.at_ns:
            self.due = before
            return None
        return due if due != before else None


def first_due(segment: Segment, warmth: Warmth, now_ns: int) -> Due | None:
    """What the unit's protection will do in this segment."""
    unit, setting = segment.setting.unit, segment.setting
    if unit is None or unit.protection is None or not setting.live or setting.cut:
        return None
    truth, found = unit.protection, []
    if warmth.hottest_device_c > truth.over_c:
        found.append(Due(now_ns, "heat", setting.tone))
    delay_ns = round(truth.delay_s * 1e9)
    if any(abs(volts) > truth.offset_v for volts in segment.response.resting_v):
        found.append(Due(segment.from_ns + delay_ns, "offset", setting.tone))
    over_s = segment.response.first_over_s(truth.over_a) if truth.over_a < float("inf") else None
    if over_s is not None:
        at_ns = segment.from_ns + round(over_s * 1e9) + delay_ns
        if setting.tone is None or setting.tone.end_ns is None or at_ns < setting.tone.end_ns:
            found.append(Due(at_ns, "current", setting.tone))
    return min(found, key=lambda due: due.at_ns, default=None)


def may_return(unit: UnitTruth, reason: str, warmth: Warmth) -> bool:
    """After heat only once it is gone."""
    limit_c = unit.protection.over_c if unit.protection else float("inf")
    return reason != "heat" or warmth.hottest_device_c < limit_c - COOLER_K
