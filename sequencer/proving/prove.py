"""Proving a bench with no unit connected: the steps in their order, made safe before and after. Thin I/O."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.capabilities import RoleName
from drivers.dialect import Dialect
from drivers.roles.capture import Capture
from drivers.timing import Clock
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.attend import attend
from sequencer.night.shot import Shooter
from sequencer.plan.models import Bench
from sequencer.plan.window import ShotWindow
from sequencer.proving import steps_talk, steps_thermometer
from sequencer.proving.desk import Desk
from sequencer.proving.order_power import power
from sequencer.proving.order_signal import signal
from sequencer.proving.record import ProofStep
from sequencer.proving.running import Running
from sequencer.proving.words import OPEN_LINK, failed, held
from sequencer.roles import Instruments
from sequencer.safety.make_safe import Report, acts, perform

MADE_SAFE = "made safe"  # name of the last step
BLEED_S = 10.0  # nothing is on the lead: a supply's own output falls sooner
BY_HAND = "a person does its work on this bench"


async def prove(
    bench: Bench,
    instruments: Instruments,
    dialects: Mapping[RoleName, Dialect],
    clock: Clock,
    say: Callable[[str], None],
    asking: Asking = nobody_there,
) -> tuple[ProofStep, ...]:
    """Every step, in order. The bench is made safe before anything is set and after the last step, whatever fails; the
    last step (MADE_SAFE) says whether that was confirmed. Links are left open: the caller closes `instruments`.

    An instrument that fails or does not answer is a failed step, never an exception; only being cancelled goes through,
    once the bench was made safe. say: hears the name of each step as it begins. asking: whom to ask to warm a sensor.
    """
    desk = Desk(bench, instruments, dialects, clock, say, asking)
    shooter = Shooter(instruments.hands, clock, bench.digitiser.bits, _capture_of)
    attend(shooter, bench, asking, say)
    running = Running(desk)
    try:
        await _identities(running)
        before = await _safe(desk)
        if before.confirmed:
            await _talk(running)
            await signal(running)
            await power(running)
            await _temperatures(running)
        else:
            sentence = f"not confirmed safe before anything was driven: {'; '.join(before.lines)}"
            running.steps.append(failed("safe before", "bench", sentence, OPEN_LINK))
        for name in desk.there:
            failures = [one for one in running.steps if one.outcome == "failed" and one.about.startswith(name)]
            await running.step("no restart", name, steps_talk.no_restart, desk, name, bool(failures))
    finally:
        after = await _safe(desk)
    return (*running.steps, _told_safe(after))


def was_made_safe(steps: tuple[ProofStep, ...]) -> bool:
    """Whether the bench was confirmed safe at the end."""
    return any(one.name == MADE_SAFE and one.outcome == "held" for one in steps)


def _capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
    return Capture(dict(volts), window.sample_rate_hz, window.samples, window.before_s, window.delay_s)


async def _safe(desk: Desk) -> Report:
    hands = desk.hands
    todo = acts("normal", bleed_s=BLEED_S, cut_off=hands.cut_off is not None, by_hand=hands.by_hand)
    return await perform(todo, "normal", hands, desk.clock)


def _told_safe(report: Report) -> ProofStep:
    if report.confirmed:
        return held(MADE_SAFE, "bench", "; ".join(report.lines))
    look = "Switch signal and supply off by hand, and see the rail down before anything is touched"
    return failed(MADE_SAFE, "bench", f"not confirmed: {'; '.join(report.lines)}", look)


async def _identities(running: Running) -> None:
    """Those that do not answer as themselves are left out of all that follows."""
    desk = running.desk
    for name in desk.bench.roles():
        desk.say(f"identity: {name}")
        running.steps.append(await steps_talk.identity(desk, name))
    for name in sorted(desk.bench.by_hand):
        running.unseen("identity", name, BY_HAND)


async def _talk(running: Running) -> None:
    """Replies, errors, settings; with every output off."""
    desk = running.desk
    for name in desk.there:
        if not await running.step("replies", name, steps_talk.replies, desk, name):
            desk.lost[name] = "its replies do not belong to their questions"
            continue
        await steps_talk.note_start(desk, name)
    for name in desk.there:
        await running.step("error queue", name, steps_talk.errors_seen, desk, name)
        await running.step("settings", name, steps_talk.settings, desk, name)


async def _temperatures(running: Running) -> None:
    desk = running.desk
    if "thermometer" not in desk.there or not await running.ready("thermometer", _thermometer_ready, desk):
        return
    for name in dict.fromkeys(name for bay in desk.bench.bay for name in bay.thermometer.values()):
        await running.step("temperature", f"thermometer {name}", steps_thermometer.plausible, desk, name)


async def _thermometer_ready(desk: Desk) -> str:
    await desk.hands.thermometer.prepare()
    return "sensor and unit are set"
