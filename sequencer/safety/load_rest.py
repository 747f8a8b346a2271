"""The loads' stop limit: how long they rest before a burst, so that it does not take them beyond WARM_C. Pure.

The same body as the trip limit's, solved backwards. What the coming burst will give is bounded from above: by the gain
as proved or declared, and by a square wave of the crest at which the unit clips.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from sequencer.measurements.requests import Fire
from sequencer.safety.rules_gain import GainRules, declared_db
from sequencer.safety.rules_load import ROOM_C, WARM_C, Body, LoadRules, Rises
from sequencer.safety.rules_model import Scope, burst_s
from sequencer.safety.rules_output import clips_at_v

COLD_K = 2.0  # above the room: resting on gains nothing, and a cold load bears what its file allows


def rest_s(
    scope: Scope, loads: LoadRules, gain: GainRules, request: Fire, driven: Collection[str] | None, at_ns: int
) -> float:
    """Seconds from at_ns on; 0 where nothing is connected, or where it may be fired at once. driven: channels whose
    inputs are on the generator, None: all."""
    if loads.load is None:
        return 0.0
    body, length_s, longest_s = Body.of(scope.bench.load[loads.load]), burst_s(request), 0.0
    for name in loads.channels:
        own_k = _own_k(scope, loads.load, gain, request, driven, name)
        left_k = (WARM_C - ROOM_C - own_k) * math.exp(length_s / body.tau_s)
        longest_s = max(longest_s, _cools_in_s(body, loads.rise_k(name, body, at_ns), max(left_k, COLD_K)))
    return longest_s


def to_keep(
    scope: Scope, loads: LoadRules, gain: GainRules, request: Fire, driven: Collection[str] | None, at_ns: int
) -> Rises:
    """How far the loads may stand above the room when this burst is over, fired at at_ns: what must be on the disk
    before it, so that a process that dies in it leaves no load hotter than is known. Only what lies above what is kept
    already, and above COLD_K."""
    if loads.load is None:
        return {}
    body, length_s, found = Body.of(scope.bench.load[loads.load]), burst_s(request), Rises()
    end_ns = at_ns + round(length_s * 1e9)
    for name in loads.channels:
        own_k = _own_k(scope, loads.load, gain, request, driven, name)
        most_k = body.after(loads.rise_k(name, body, at_ns), 0.0, length_s) + own_k
        if most_k > max(COLD_K, loads.kept_k(name, body, end_ns)):
            found[(loads.load, name)] = most_k, end_ns
    return found


def _own_k(
    scope: Scope, label: str, gain: GainRules, request: Fire, driven: Collection[str] | None, name: str
) -> float:
    """What this burst itself may heat one channel's resistors by, at most."""
    load = scope.bench.load[label]
    volts = _most_v(scope, gain, request, name) if driven is None or name in driven else 0.0
    return Body.of(load).after(0.0, volts**2 / load.ohm[name], burst_s(request))


def _cools_in_s(body: Body, from_k: float, to_k: float) -> float:
    """By x' = -x / tau; 0 where it lies below that already."""
    return body.tau_s * math.log(max(from_k / to_k, 1.0))


def _most_v(scope: Scope, gain: GainRules, request: Fire, name: str) -> float:
    """Vrms that this burst may bring at most."""
    gain_db = gain.gains.get((name, request.frequency_hz), declared_db(scope.unit, name))
    clips_v = clips_at_v(scope.unit)
    volts = request.level_vrms * math.pow(10.0, gain_db / 20.0)
    return volts if clips_v is None else min(volts, clips_v)


def loads_left(kept: Rises, now_ns: int) -> LoadRules:
    """As another process left them. A time that is still to come, by a clock that was set back, counts as now."""
    known = {key: (rise_k, min(at_ns, now_ns)) for key, (rise_k, at_ns) in kept.items()}
    return LoadRules(rises=dict(known), kept=known)
