"""The loads' stop limit: how long they rest before a burst, so that it does not take them beyond WARM_C. Pure.

The same body as the trip limit's, solved backwards. What the coming burst will give is bounded from above: by the gain
as proved or declared, and by a square wave of the crest at which the unit clips.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from sequencer.measurements.requests import Fire
from sequencer.safety.rules_gain import GainRules, declared_db
from sequencer.safety.rules_load import ROOM_C, WARM_C, Body, LoadRules
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
    load = scope.bench.load[loads.load]
    body, length_s, longest_s = Body.of(load), burst_s(request), 0.0
    for name in loads.channels:
        volts = _most_v(scope, gain, request, name) if driven is None or name in driven else 0.0
        own_k = body.after(0.0, volts**2 / load.ohm[name], length_s)
        left_k = (WARM_C - ROOM_C - own_k) * math.exp(length_s / body.tau_s)
        longest_s = max(longest_s, _cools_in_s(body, loads.rise_k(name, body, at_ns), max(left_k, COLD_K)))
    return longest_s


def _cools_in_s(body: Body, from_k: float, to_k: float) -> float:
    """By x' = -x / tau; 0 where it lies below that already."""
    return body.tau_s * math.log(max(from_k / to_k, 1.0))


def _most_v(scope: Scope, gain: GainRules, request: Fire, name: str) -> float:
    """Vrms that this burst may bring at most."""
    gain_db = gain.gains.get((name, request.frequency_hz), declared_db(scope.unit, name))
    clips_v = clips_at_v(scope.unit)
    volts = request.level_vrms * math.pow(10.0, gain_db / 20.0)
    return volts if clips_v is None else min(volts, clips_v)
