"""Front of the relay in a supply's lead that drops when it is not fed."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

USUAL_HOLD_S, SHORTEST_S, LONGEST_S = 1.0, 0.5, 30.0
SEEN_S = 0.020


class CutOffA(Front):
    """Dropped at power-on."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("cut-off-a", f"BILGE & KEEL,CR-80,{serial},2.0")
        self._world = world
        self._hold_s = USUAL_HOLD_S
        world.guards.fit(0)
        add = self.tree.add
        add("RELay:HOLD", Command(self._set_hold, lambda _: f"{self._hold_s:.3f}"))
        add("RELay:STATe", Command(self._switch, self._ask, lasts_s=lambda _: SEEN_S))
        add("RELay:FEED", Command(self._feed, takes=0))

    def reset(self, now_ns: int) -> None:
        self._hold_s = USUAL_HOLD_S
        self._world.guards.feed_until(now_ns, now_ns)

    def _set_hold(self, call: Call) -> None:
        self._hold_s = arg.number(call.args[0], SHORTEST_S, LONGEST_S)

    def _switch(self, call: Call) -> None:
        held_ns = round(self._hold_s * 1e9) if arg.switch(call.args[0]) else 0
        self._world.guards.feed_until(call.now_ns, call.now_ns + held_ns)

    def _feed(self, call: Call) -> None:
        if not self._world.guards.is_fed(call.now_ns):
            raise Refused(-221)
        self._world.guards.feed_until(call.now_ns, call.now_ns + round(self._hold_s * 1e9))

    def _ask(self, call: Call) -> str:
        return arg.flag(self._world.guards.relay_is_in(call.now_ns))
