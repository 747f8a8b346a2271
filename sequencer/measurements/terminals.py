"""What a probe saw at each output terminal: which is live, what the other one is, whose output it is. Pure.

Against the supply's minus, with 50 mV at the outputs by the unit's file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from sequencer.measurements.bench_inputs import ToneSeen
from sequencer.measurements.values import Finding

LIVE_PART = 0.25  # of the tone that is due: less is what comes over from elsewhere (our own judgement)
AT_MINUS_V = 0.02  # a minus lead drops that much at most at idle (our own judgement)
TOGETHER_V = 0.01  # terminals that hang on one node stand within that (our own judgement)
BONDED, BONDED_OHM, OPEN_OHM = "bonded", 10.0, 10_000.0  # common practice, no source
SHELL_AT_MOST_V = 0.1  # from the input's shell to the supply's minus (common practice, no source)

Kind = Literal["plus live", "minus live", "both live", "joined", "silent", "of another channel"]
GROUNDED = {"plus": "plus grounded", "minus": "minus grounded"}
BY_FILE: Mapping[str, Kind] = {"plus": "plus live", "minus": "minus live", "both": "both live"}


@dataclass(frozen=True)
class At:
    """One terminal, as in "A minus". tones: by the channels driven, as in "A" or "AB". rest_v: mean beside the tone."""

    terminal: str
    tones: Mapping[str, ToneSeen]
    rest_v: float

    @property
    def channel(self) -> str:
        return self.terminal.split()[0]

    @property
    def leg(self) -> str:
        return self.terminal.split()[1]

    @property
    def loudest(self) -> ToneSeen:
        return max(self.tones.values(), key=lambda tone: tone.rms_v)

    def live_with(self, due_v: float) -> tuple[str, ...]:
        """The drives under which it carries the tone."""
        return tuple(k for k, tone in self.tones.items() if tone.seen and tone.rms_v >= LIVE_PART * due_v)


@dataclass(frozen=True)
class ChannelFound:
    """One output. apart_v: where its quiet terminal does not stand at the supply's minus, what it stands at."""

    name: str
    kind: Kind
    live: tuple[str, ...] = ()
    quiet: str | None = None
    apart_v: float | None = None


@dataclass(frozen=True)
class Found:
    """All of one unit. due_v: at each live terminal, by channel; declared: live terminal by its file; supply_a: while
    the tone was off. shell_ohm: by hand, or by_meter, the bench's, the unit off; shell_v: without a signal. None where
    nobody looked. at_minus_v: what stands within it is at the supply's minus, for all that this digitiser can tell.
    awake_a: less than that and the unit is not on."""

    serial: str
    bay: str
    seen: tuple[At, ...]
    due_v: Mapping[str, float]
    declared: Mapping[str, str]
    supply_a: float
    shell_ohm: float | None = None
    shell_v: float | None = None
    by_meter: bool = False
    at_minus_v: float = AT_MINUS_V
    awake_a: float = 0.1
    channels: tuple[ChannelFound, ...] = field(default=())

    @property
    def all_silent(self) -> bool:
        return all(one.kind == "silent" for one in self.channels)

    @property
    def common_minus(self) -> float | None:
        """Volts at which the quiet terminals of several channels stand together, off the supply's minus."""
        volts = [one.apart_v for one in self.channels if one.apart_v is not None]
        together = len(volts) > 1 and len(volts) == len(self.channels) and max(volts) - min(volts) < TOGETHER_V
        return sum(volts) / len(volts) if together else None


def channel_found(name: str, seen: Sequence[At], due_v: float, at_minus_v: float = AT_MINUS_V) -> ChannelFound:
    """What the two terminals of one channel are."""
    own = [one for one in seen if one.channel == name]
    live = [one for one in own if any(name in drive for drive in one.live_with(due_v))]
    if not live:
        foreign = any(one.live_with(due_v) for one in own)
        return ChannelFound(name, "of another channel" if foreign else "silent")
    quiet = next((one for one in own if one not in live), None)
    if len(live) > 1:
        kind: Kind = "both live" if _opposed(live[0].loudest, live[1].loudest) else "joined"
        return ChannelFound(name, kind, tuple(one.leg for one in live))
    kind = "plus live" if live[0].leg == "plus" else "minus live"
    apart_v = quiet.rest_v if quiet is not None and abs(quiet.rest_v) > at_minus_v else None
    return ChannelFound(name, kind, (live[0].leg,), quiet.leg if quiet else None, apart_v)


def _opposed(one: ToneSeen, other: ToneSeen) -> bool:
    """Legs of a bridge go against each other: half a turn apart, and not none."""
    turn = (one.phasor * other.phasor.conjugate()) / (abs(one.phasor) * abs(other.phasor))
    return bool(turn.real < 0.0)


def findings(found: Found) -> Iterator[Finding]:
    """Each thing that is not as the files say, once."""
    if found.all_silent:
        yield _elsewhere(found)
    for one in () if found.all_silent else found.channels:
        yield from _of_channel(found, one)
    offset_v = found.at_minus_v - AT_MINUS_V
    if found.shell_v is not None and found.shell_v > SHELL_AT_MOST_V + offset_v:
        sentence = f"{1000.0 * found.shell_v:.0f} mV from the input's shell to the supply's minus, without a signal"
        remedy = "One earth point: isolate the generator or float its output, and mend the unit's minus lead"
        yield Finding("input shell", f"{sentence}: above {1000.0 * SHELL_AT_MOST_V:g} mV", remedy)


def _elsewhere(found: Found) -> Finding:
    where = f"no tone at any of the {len(found.seen)} terminals in bay {found.bay}"
    if found.supply_a < found.awake_a:
        sentence = f"{where}, and the supply gives only {found.supply_a:.2g} A: the unit there is not on"
        return Finding("no output", sentence, "Look at its remote line, its fuse, its supply lead")
    sentence = f"{where}, although unit {found.serial} draws {found.supply_a:.2g} A: they are not its outputs"
    if math.isnan(found.supply_a):  # nobody reads it on such a bench
        sentence = f"{where}: unit {found.serial} is not on, or they are not its outputs"
    remedy = "Follow the output leads: they may lead to the unit of another bay; its input lead may do so too"
    return Finding("outputs elsewhere", sentence, remedy)


def _of_channel(found: Found, one: ChannelFound) -> Iterator[Finding]:
    declared = found.declared[one.name]
    if one.kind == BY_FILE[declared]:
        return
    live = f"its file says {_declared(declared)}"
    match one.kind:
        case "silent":
            yield Finding(
                "no output", "no tone at either of its terminals", "Look at its input, mute, output relay", one.name
            )
        case "of another channel":
            sentence = "its terminals carry the tone of another channel, and not its own: the outputs are crossed"
            yield Finding("channels crossed", sentence, "Swap the output leads, or the input leads: one pair", one.name)
        case "joined":
            sentence = "both its terminals carry the same tone: they are joined, or the probe did not move"
            yield Finding("terminals joined", sentence, "Find what joins them before it is driven", one.name)
        case "both live":
            sentence = f"both its terminals are live, against each other, as of a bridge; {live}"
            yield Finding("live terminal", sentence, "No ground clip on either; correct live_terminal", one.name)
        case _:
            yield _one_live(found, one, declared, live)


def _one_live(found: Found, one: ChannelFound, declared: str, live: str) -> Finding:
    at = next(s for s in found.seen if s.channel == one.name and s.leg in one.live)
    told = f"{one.live[0]} is its live terminal ({at.loudest.rms_v:.3f} V with the wiring tone)"
    if declared == "both":
        half = "half of a bridge is grounded, or it is not set to bridge"
        sentence = f"only {told}, and {one.quiet} {_stands(one)}, where {live}: {half}"
        remedy = f"Take the clip or shield that grounds {one.quiet} away before it is driven: it shorts that half"
        return Finding(GROUNDED[one.quiet or "minus"], sentence, remedy, one.name)
    remedy = f"Put the probe's tip on {one.live[0]} and its ground clip on the supply's minus; or correct live_terminal"
    return Finding("live terminal", f"{told}, {one.quiet} {_stands(one)}; {live}", remedy, one.name)


def _declared(terminal: str) -> str:
    return "both are" if terminal == "both" else f"{terminal} is"


def _stands(one: ChannelFound) -> str:
    return (
        "is at the supply's minus" if one.apart_v is None else f"stands at {one.apart_v:.2f} V from the supply's minus"
    )


def state(found: Found, at: At) -> str:
    """One terminal in words."""
    one = next(c for c in found.channels if c.name == at.channel)
    if at.leg in one.live:
        turned = one.kind == "both live" and at.leg == "minus"
        return "live, the other way round" if turned else "live"
    if at.live_with(found.due_v[at.channel]):
        return "live, with another channel's tone"
    return "at the supply's minus" if abs(at.rest_v) <= found.at_minus_v else f"quiet, at {at.rest_v:.2f} V"


def row(found: Found) -> dict[str, Any]:
    """As the results keep it, and the drawing is made from."""
    terminals = [
        {"terminal": at.terminal, "tone_vrms": at.loudest.rms_v, "rest_v": at.rest_v, "state": state(found, at)}
        for at in found.seen
    ]
    return {
        "serial": found.serial, "bay": found.bay, "terminals": terminals, "common_minus_v": found.common_minus,
        "shell_ohm": found.shell_ohm, "shell_v": found.shell_v, "as_declared": not any(findings(found)),
        **({"shell_by_meter": True} if found.by_meter else {}),
    }  # fmt: skip


def drawn(kept: Mapping[str, Any]) -> tuple[str, ...]:
    """The wiring found, in lines for a terminal: what stands at the supply's minus hangs on one line at the right."""
    rows = [(t["terminal"], f"{t['tone_vrms']:.3f} V", t["state"], _on_minus(t)) for t in kept["terminals"]]
    shell_v, shell_ohm = kept["shell_v"], kept["shell_ohm"]
    if shell_v is not None or shell_ohm is not None:
        by = "by the meter" if kept.get("shell_by_meter") else "by hand"
        ohms = "ohms not measured" if shell_ohm is None else f"{bond(shell_ohm)}, {ohms_in_words(shell_ohm)} {by}"
        volts = "" if shell_v is None else f"{shell_v:.3f} V"
        rows.append(("input shell", volts, ohms, shell_ohm is not None and bond(shell_ohm) == BONDED))
    width = max(len(told) for _, _, told, _ in rows)
    lines = [f"wiring of unit {kept['serial']} in bay {kept['bay']}, as found at 50 mV"]
    begun = False
    for terminal, volts, told, joined in rows:
        begun = begun or joined
        rail = " --+" if joined else "   |" if begun else ""
        lines.append(f"  {terminal:<12} {volts:>8}  {told:<{width}}{rail}".rstrip())
    lines.append(f"  supply minus {'-' * (width + 13)}+" if begun else "  supply minus")
    if (apart_v := kept["common_minus_v"]) is not None:
        lines.append(f"  the quiet terminals hang together, {apart_v:.2f} V from the supply's minus: a common minus")
    return tuple(lines)


def bond(ohm: float) -> str:
    """Of an input's shell: many units let it float by some hundred ohm on purpose."""
    return BONDED if ohm < BONDED_OHM else "floats" if ohm < OPEN_OHM else "open"


def ohms_in_words(ohm: float) -> str:
    """ "470 ohm", "4.7 kohm", "10 Mohm": three digits."""
    scaled, unit = (ohm / 1e6, "Mohm") if ohm >= 1e6 else (ohm / 1e3, "kohm") if ohm >= 1e3 else (ohm, "ohm")
    return f"{scaled:.3g} {unit}"


def _on_minus(terminal: Mapping[str, Any]) -> bool:
    return bool(terminal["state"] == "at the supply's minus")


def due_vrms(level_vrms: float, gain_db: float, live_terminal: str) -> float:
    """At one live terminal, by the unit's file; each leg of a bridge gives half."""
    whole = level_vrms * math.pow(10.0, gain_db / 20.0)
    return whole / 2.0 if live_terminal == "both" else whole
