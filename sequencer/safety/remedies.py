"""What a person does at 3 a.m.: one line for each rule that trips, each error of a link and each named end. Pure.

They are our own advice from common practice, no source. No figures stand in them: those are in what tripped.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.safety.rules_events import NAME_OF_ERROR

NOT_SAFE = "not confirmed safe"
STOPPED = "stopped by a person"
FAULT = "internal fault"
FULL = "ledger full"
UNIT, BENCH = "unit in doubt", "bench in doubt"

OF_RULES = {
    "heat sink":
        "Let it cool by itself; look at its fan, its vents and how its devices are mounted before it is powered.",
    "heat sink rising":
        "Leave it off: heat this fast is a short or a loose device; take ohms of the output devices, cold.",
    "heat sinks apart":
        "Leave it off; compare both sides cold: mounting, ohms of the output devices, then the sensors.",
    "load temperature":
        "Hands off the loads: let them cool; hold their J/K and burst_j in the bench's file against them.",
    "burst energy": "Take ohms of the loads cold, and compare the unit's gain: more went out than the plan foretold.",
    "sensor open": "Leave it off; mend that sensor's wire or connector; measure again when it reads the room.",
    "sensor implausible":
        "Hold a second thermometer to the heat sink; where they differ, mend wire, type or input of the sensor.",
    "sensor silent": "See whether the thermometer still measures: switch it off and on, then warm the sensor by hand.",
    "sensor not following":
        "Press the sensor back onto its heat sink; if it sat well, see whether it is this bay's and this channel's.",
    "reading stale": "Look for a slow network or a busy machine; go on when each instrument answers at once.",
    "supply current":
        "Leave it off; look for a short at the outputs and in the output stage with an ohmmeter, then at its fuse.",
    "supply current without signal":
        "Leave it off; set idle current from cold, under a low current limit, before any drive.",
    "supply current running away":
        "Leave it off until it is cold; look at how its bias follows heat. Never widen the limit instead.",
    "current limit without signal":
        "Leave it off; take ohms across its supply terminals: a short, a reversed lead, or a limit set low.",
    "supply tripped":
        "Read on the supply which protection acted; find the cause in unit and leads before it is cleared.",
    "supply volts":
        "Measure volts by hand at supply and unit; look for a loose lead, an open sense lead, a blown fuse.",
    "supply volts high":
        "Power no unit: prove the supply with nothing connected; look at its sense leads and its settings.",
    "offset":
        "No loudspeaker and no power: find why DC stands at the output, from its input pair to its output devices.",
    "output without signal":
        "Leave it off; look for oscillation, a missing input ground, or another source at its input.",
    "output gone": "Wait until it is cold, then power it without a load; find which protection holds it, and why.",
    "gain away": "Send a small tone by hand; look for a dying stage, a poor relay contact, or a limiter that is on.",
    "digitiser overload": "Look at the probe's switch and its factor in the bench's file before the unit is blamed.",
    "instrument restarted":
        "Look at that instrument's mains lead and outlet; prove the bench at a low level before the next unit.",
    "identity changed":
        "See which instrument has that address now; put the right one back, or correct the bench's file.",
    "settings differ":
        "Look at the refused setting on the instrument itself: locked keys, limits of its own, another user.",
    "ceiling passed":
        "Nothing was sent. Compare ceilings, plan and unit; if they fit, keep the ledger and tell our maintainers.",
    "no number": "Read that instrument's display: overload, open input or wrong range. Mend its input, then go on.",
    "instrument not done":
        "See what that instrument waits for: its trigger lead, a question on its screen, a contact that sticks.",
    "instrument does not answer":
        "See by hand that its output is off; then its power, cable and address; measure the points left.",
    "interlock open":
        "See why that contact is open: a person's stop, hot loads, a cover. Put right what it guards, then close it.",
    "cut-off dropped":
        "See whether the machine was too busy to feed it; then its supply, its lead and its hold time.",
    "guardian gone":
        "Look in the system's log for who ended it, or whether memory ran out, before the next night begins.",
}  # fmt: skip
OF_LINKS = {
    "LinkTimeout":
        "It is there but silent: look for an open menu or an error on its screen; see its output off, restart it.",
    "LinkClosed": "It hung up: look whether it restarted, or whether a second program or person uses it.",
    "LinkRefused":
        "Nobody is at that address: see its output off by hand; then its power, its network cable, its address.",
    "GarbledReply":
        "Its replies are broken: look for a second controller, a bad cable, a wrong dialect in the bench's file.",
    "BrokenOff": "We ended this exchange for something more urgent: the trip told beside it is the cause.",
}  # fmt: skip
OF_ENDS = {
    NOT_SAFE: "Emergency stop by hand, now. Treat all of it as live and measure the rail; then `nightramp make-safe`.",
    STOPPED: "Nothing comes on by itself. Write down why it was stopped; measure the points left when you are ready.",
    FAULT:
        "Keep the night's folder and the lines above for our maintainers; measure the points left, in a new folder.",
    FULL: "Make room on the disk; what was kept is whole. Then measure the points left, in a new folder.",
    "guardian acted": "nightramp was killed or hung: measure the rail, run `nightramp make-safe`, then find out why.",
    "trip test":
        "Power nothing: a rule that should have tripped did not. Keep the ledger, and use no bench with this version.",
    UNIT: "Look at the unit before it is powered again: the sentence of its trip says where to begin.",
    BENCH: "Power no further unit: prove supply, leads and contacts by hand before the next one.",
}  # fmt: skip
REMEDIES: Mapping[str, str] = OF_RULES | OF_LINKS | OF_ENDS
OF_CAUSE = {"unit": UNIT, "bench": BENCH, "link": "instrument does not answer"}
NAME_OF_FAULT = {"LedgerFull": FULL, "Fault": FAULT}


def remedy(name: str) -> str:
    """name: of a rule, an end, or a class of error; a class without a line of its own has its rule's. Raises KeyError
    for any other name."""
    return REMEDIES[name] if name in REMEDIES else REMEDIES[NAME_OF_ERROR[name]]


def remedy_of(error: BaseException) -> str:
    """By the rule that it names, else by its class or the nearest one above it; whatever is left is an internal
    fault."""
    rule = getattr(error, "rule", None) or getattr(error, "row", {}).get("rule")
    if rule is not None and rule in REMEDIES:
        return REMEDIES[rule]
    known = NAME_OF_ERROR | NAME_OF_FAULT | {"UnitTrip": UNIT, "Trip": BENCH} | {name: name for name in OF_LINKS}
    names = (kind.__name__ for kind in type(error).__mro__)
    return next((REMEDIES[known[name]] for name in names if name in known), REMEDIES[FAULT])


def remedy_of_trip(trip: Mapping[str, Any]) -> tuple[str, str] | None:
    """Name and line for a trip as results keep it; None for one without rule and cause. A bench that was not confirmed
    safe comes before all causes."""
    name = trip.get("rule")
    if trip.get("confirmed_safe") is False:
        name = NOT_SAFE
    elif name not in REMEDIES:
        name = OF_CAUSE.get(trip.get("cause") or "")
    return (name, REMEDIES[name]) if name else None


def markdown() -> str:
    """For the developers' page; a test keeps both equal."""
    head = "| what is told | what to do |\n|---|---|\n"
    return head + "".join(f"| {name} | {line} |\n" for name, line in REMEDIES.items())
