"""The state a segment starts from."""

from __future__ import annotations

from simulators.world.drive import Memory
from simulators.world.setting import Setting, State
from simulators.world.timeline import Segment


def fresh(setting: Setting) -> State:
    return State(0.0, 0.0, (0.0,) * len(setting.driven))


def carried(last: Segment, setting: Setting, before: State, at_ns: int) -> State:
    """What the couplings hold jumps with the unit's input; filters, detectors and cores go on as they were."""
    unit = setting.unit
    if unit is None or not setting.live:
        return State(before.rail_v, before.terminal_v, (0.0,) * len(setting.driven))
    now_v = setting.wave(at_ns).first_v
    if not last.setting.live:  # the rail comes up while muted; a DC coupled input is where its source is
        at_input = tuple(
            now_v if heard and not channel.coupling_hz else 0.0
            for channel, heard in zip(unit.channels, setting.heard, strict=True)
        )
        thumps = tuple(Memory(thump_v=channel.thump_v) for channel in unit.channels)
        return State(setting.rail_no_load_v, before.terminal_v, at_input, thumps)
    was_v = last.setting.wave(at_ns).first_v
    jumps = (
        (now_v if now else 0.0) - (was_v if was else 0.0)
        for now, was in zip(setting.heard, last.setting.heard, strict=True)
    )
    coupled_v = tuple(y + j for y, j in zip(before.coupled_v, jumps, strict=True))
    return State(before.rail_v, before.terminal_v, coupled_v, before.memory)
