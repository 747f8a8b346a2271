"""What heat makes of a unit: idle current, offset, dead zone, a contact that opens, fan.

Between two changes they stand still; a drifting unit is looked at again at fixed instants, closer together just
after a change. They move in small parts of their size, so that what has hardly moved counts as equal.
"""

from __future__ import annotations

from dataclasses import replace

from simulators.world.channel_truth import ChannelTruth
from simulators.world.heat import Warmth
from simulators.world.unit_truth import HeatTruth, UnitTruth

REFERENCE_C = 25.0
IDLE_PARTS = 2000.0
MOST_TIMES_IDLE = 100.0  # a runaway ends in a short, not at infinity
OFFSET_PARTS_PER_V = 1e5
FAN_HYSTERESIS_K = 5.0
FIRST_LOOK_NS, LAST_LOOK_NS = 250_000_000, 4_000_000_000


def drifts(unit: UnitTruth) -> bool:
    """Something about it follows its heat."""
    by_channel = any(channel.offset_v_per_k or channel.offset_jump_v or channel.contact for channel in unit.channels)
    cuts = unit.protection is not None and unit.protection.over_c < float("inf")
    return bool(unit.feed.idle_per_k) or unit.heat.fan is not None or by_channel or cuts


def next_look_ns(at_ns: int, moved_ns: int) -> int:
    """When to look again: after an eighth of the time since power or signal last changed."""
    return at_ns + min(max((at_ns - moved_ns) // 8, FIRST_LOOK_NS), LAST_LOOK_NS)


def as_it_stands(unit: UnitTruth, warmth: Warmth, fan_ran: bool) -> UnitTruth:
    """The unit at these temperatures; the very same object if nothing about it differs."""
    stage_a = stage_idle_a(unit, warmth)
    idle_a = stage_a + sum(channel.stage.fixed_w for channel in unit.channels) / unit.feed.nominal_v
    channels = tuple(_channel(unit, k, channel, warmth, stage_a) for k, channel in enumerate(unit.channels))
    heat = _heat(unit.heat, warmth, fan_ran)
    if idle_a == unit.feed.idle_a and channels == unit.channels and heat is unit.heat:
        return unit
    return replace(unit, channels=channels, feed=replace(unit.feed, idle_a=idle_a), heat=heat)


def stage_idle_a(unit: UnitTruth, warmth: Warmth) -> float:
    """I0 (1 + a (T - 25 degC)), T the devices' mean. It runs away where I0 a V K/W > 1."""
    feed = unit.feed
    if not feed.idle_per_k:
        return feed.idle_a
    times = 1.0 + feed.idle_per_k * (warmth.mean_device_c - REFERENCE_C)
    return feed.idle_a * round(IDLE_PARTS * min(max(times, 0.0), MOST_TIMES_IDLE)) / IDLE_PARTS


def _channel(unit: UnitTruth, k: int, channel: ChannelTruth, warmth: Warmth, stage_a: float) -> ChannelTruth:
    offset_v, crossover_v = channel.offset_v, channel.crossover_v
    if channel.offset_v_per_k:
        offset_v += channel.offset_v_per_k * (warmth.device_c(k) - REFERENCE_C)
        offset_v = round(offset_v * OFFSET_PARTS_PER_V) / OFFSET_PARTS_PER_V
    if channel.offset_jump_v and warmth.device_c(k) > channel.offset_jumps_at_c:
        offset_v += channel.offset_jump_v
    contact = channel.contact
    if contact is not None and warmth.device_c(k) <= contact.from_c:
        contact = None  # it holds, as long as it is cool
    if channel.crossover_v:
        crossover_v *= max(1.0 - stage_a / unit.feed.healthy_idle_a, 0.0)
    if (offset_v, crossover_v, contact) == (channel.offset_v, channel.crossover_v, channel.contact):
        return channel
    return replace(channel, offset_v=offset_v, crossover_v=crossover_v, contact=contact)


def _heat(heat: HeatTruth, warmth: Warmth, fan_ran: bool) -> HeatTruth:
    fan = heat.fan
    if fan is None or fan.dead:
        return heat
    start_c = fan.start_c - (FAN_HYSTERESIS_K if fan_ran else 0.0)
    return replace(heat, k_per_w=fan.k_per_w) if max(warmth.celsius, default=0.0) > start_c else heat
