"""How a channel's power stands to a rated one: the one rule of findings, sheet, customer's page and batches. Pure.

All channels of a row are driven at one level, and the ramp ends where the first of them reaches its limit. Of that
channel this is the power at its limit; any other one gives that much at least, and is below its rating only where a
shot showed it, too, beyond the limit at fewer watts than rated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Row = Mapping[str, Any]

LOW_DB = 1.0  # below a rating, beyond the uncertainty, from which on it is a fault (common practice, no source)
RATED_HZ = (500.0, 2000.0)  # ratings hold at 1 kHz (common practice, no source)
AT_LIMIT = ("thd", "thd_n", "burst_residual")
BY_ITSELF = (*AT_LIMIT, "limited", "early_cycles")  # ends that are the unit's own, not the bench's


@dataclass(frozen=True)
class Standing:
    """power_w: what was held against rated_w: the power at the channel's limit, or one that it gives at least, or less
    than. first: the channel that reached its limit before this one and so left it unjudged; empty otherwise."""

    judgement: Literal["within", "outside", "not measured"]
    how: Literal["at limit", "at least", "less than"]
    power_w: float
    expanded_w: float | None
    rated_w: float
    first: str = ""

    @property
    def near(self) -> bool:
        """Nearer to the rating than its uncertainty."""
        return self.judgement != "not measured" and abs(self.power_w - self.rated_w) < (self.expanded_w or 0.0)

    @property
    def below_db(self) -> float:
        return _below_db(self.power_w, self.rated_w)

    @property
    def low(self) -> bool:
        """Whether it is a fault: outside, and far enough below whatever the uncertainty."""
        return self.judgement == "outside" and _below_db(self.power_w + (self.expanded_w or 0.0), self.rated_w) > LOW_DB


def at_own_limit(row: Row, channel: Row) -> bool:
    """Whether its power at the limit is that of its own limit, and not of the channel that reached it first."""
    return channel.get("power_at_limit_w") is not None and row.get("stopped_by_channel") in (channel["channel"], None)


def standing(row: Row, channel: Row, rated_w: float) -> Standing:
    """Of one channel of a measured row of `output_power`."""
    accepted_w, at_limit_w = float(channel["power_w"]), channel.get("power_at_limit_w")
    expanded_w = channel.get("power_expanded_uncertainty_w")
    itself, first = row.get("stopped_by") in BY_ITSELF, row.get("stopped_by_channel")
    own = first in (channel["channel"], None)
    power_w, u_w = accepted_w, expanded_w
    if at_limit_w is not None:
        power_w, u_w = float(at_limit_w), channel.get("power_at_limit_expanded_uncertainty_w")
        if own:
            judgement: Literal["within", "outside"] = "within" if power_w >= rated_w else "outside"
            return Standing(judgement, "at limit", power_w, u_w, rated_w)
    if power_w >= rated_w:
        return Standing("within", "at least", power_w, u_w, rated_w)
    # Held back before the limit of distortion: a little more may be to be had, so a little below judges nothing.
    if own and itself and _below_db(power_w + (u_w or 0.0), rated_w) > LOW_DB:
        return Standing("outside", "at limit", power_w, u_w, rated_w)
    beyond_w = channel.get("beyond_limit_power_w")
    if itself and beyond_w is not None and beyond_w < rated_w:
        u_w = None if expanded_w is None or accepted_w <= 0.0 else expanded_w * beyond_w / accepted_w
        return Standing("outside", "less than", float(beyond_w), u_w, rated_w)
    return Standing("not measured", "at least", power_w, u_w, rated_w, "" if own or not itself else str(first))


def _below_db(power_w: float, rated_w: float) -> float:
    return 10.0 * math.log10(rated_w / max(power_w, 1e-9))
