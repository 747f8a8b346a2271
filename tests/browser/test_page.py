"""The live page in a real Chromium, on a night of `serve` with simulated instruments in real time.

Truths: the simulated instruments' own log of what they were told, README's "The live page", WCAG 2.2 for contrast
(1.4.3), reflow (1.4.10) and names (4.1.2).
"""

from __future__ import annotations

import asyncio
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import EXIT_STOPPED
from tests.browser.devtools import Tab, browser
from tests.browser.page_night import ASKS, POWERS, contrast, elsewhere, free_port, queued, serving
from tests.processes.run_trial import OFF
from tests.processes.simulated import LIMIT_S, Simulated, simulated

pytestmark = pytest.mark.process
OFF_WITHIN_S = 1.0
ACTS = ("signal off", "supply off", "rail down", "loads open")
AA, AA_LARGE = 4.5, 3.0  # WCAG 2.2, 1.4.3: text, and text from 18.66 px bold or 24 px on
TEXTS = """[...document.querySelectorAll("body *")].filter(e => e.checkVisibility() && [...e.childNodes].some(
  n => n.nodeType === 3 && n.textContent.trim())).map(e => {
    const own = getComputedStyle(e), svg = e instanceof SVGElement;
    let behind = e, back = "rgba(0, 0, 0, 0)";
    while (behind && back.endsWith(", 0)")) {
      back = getComputedStyle(behind).backgroundColor; behind = behind.parentElement; }
    return [e.textContent.trim().slice(0, 40), svg ? own.fill : own.color, back, parseFloat(own.fontSize),
      own.fontWeight];
  })"""
SEEN = "document.body.innerText"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    with simulated(tmp_path_factory.mktemp("bench")) as one:
        yield one


def off_after_s(bench: Simulated, since_ns: int) -> dict[str, float]:
    """When each source of energy was first told off after that moment, by the instruments' own log."""
    found: dict[str, float] = {}
    for role, words in OFF.items():
        told = [one.t_ns for one in bench.said(role, since_ns) if one.message == words]
        if told:
            found[role] = (min(told) - since_ns) * 1e-9
    return found


async def clicked(tab: Tab, selector: str) -> int:
    """By a real click where the element stands; the moment before it, monotonic ns."""
    script = "(e => { e.scrollIntoView({block: 'center'}); const r = e.getBoundingClientRect(); "
    script += "return [r.x + r.width / 2, r.y + r.height / 2]; })"
    x, y = await tab.evaluate(f"{script}(document.querySelector({json.dumps(selector)}))")
    before_ns = time.monotonic_ns()
    for kind in ("mousePressed", "mouseReleased"):
        await tab.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)
    return before_ns


def test_a_night_watched_answered_stopped_and_found_again(bench: Simulated, tmp_path: Path) -> None:
    ledger, port = tmp_path / "nights", free_port()
    queued(bench, ledger, ASKS)

    async def look() -> None:
        async with browser(tmp_path) as chromium:
            tab = await chromium.tab()
            with serving(bench, ledger, port) as daemon:
                address, token = await asyncio.to_thread(daemon.page)
                await tab.window(360)
                await tab.open(address)
                await _foreign_pages_do_nothing(await chromium.tab(), address, tab)
                await _answered(tab, token)
                await _moves(tab)
                await _names_headings_and_contrast(tab)
                assert tab.errors == []
                await _stopped(tab, bench)
                assert await asyncio.to_thread(daemon.process.wait, LIMIT_S) == EXIT_STOPPED
                await tab.until(f"{SEEN}.includes('this was its last word')")
                assert "made safe, confirmed" in await tab.evaluate(SEEN)
            asked = set(re.findall(r"//([^/]+)/", " ".join(tab.requests)))
            assert asked == {f"127.0.0.1:{port}"}, "every request stays on this machine"
            with serving(bench, ledger, port) as daemon:
                await asyncio.to_thread(daemon.page)
                await tab.until(f"{SEEN}.includes('Live,') && !{SEEN}.includes('last word')")
                assert "Nothing has begun" in await tab.evaluate(SEEN)
                assert "held" in await tab.evaluate("document.getElementById('queue').innerText")
                assert await tab.evaluate("document.body.dataset.may") == "no", "a new start, a new token"

    asyncio.run(look())


async def _foreign_pages_do_nothing(foreign: Tab, address: str, ours: Tab) -> None:
    """Scripts and forms of another origin, whose requests a browser does send, answer nothing and stop nothing."""
    await ours.until("document.querySelector('.question input[name=to]')")
    to = await ours.evaluate("document.querySelector('.question input[name=to]').value")
    with elsewhere() as other:
        for path in ("answer", "go-on", "stop", "hold"):
            await foreign.open(other)
            where, body = json.dumps(address + path), json.dumps(f"to={to}&answer=done")
            head = "{'Content-Type': 'application/x-www-form-urlencoded'}"
            await foreign.evaluate(
                f"fetch({where}, {{method: 'POST', mode: 'no-cors', credentials: 'include', body: {body},"
                f" headers: {head}}}).then(() => 1, () => 0)"
            )
            await foreign.evaluate(
                f"(() => {{ const f = document.createElement('form'); f.method = 'post'; f.action = {where};"
                " document.body.append(f); f.submit(); })()"
            )
            await foreign.until("document.body.innerText.includes('came from another page')")
        await foreign.open(other)
        heard = await foreign.evaluate(
            f"new Promise(done => {{ const s = new EventSource({json.dumps(address + 'events')});"
            " s.onerror = () => { s.close(); done('refused'); }; s.onopen = () => { s.close(); done('heard'); }; })"
        )
        assert heard == "refused"
    assert await ours.evaluate("document.querySelectorAll('.question').length") == 1
    assert "Stopped" not in await ours.evaluate(SEEN)


async def _answered(tab: Tab, token: str) -> None:
    """Not without the token; with it by keyboard alone."""
    assert "bass and treble to the middle" in await tab.evaluate(SEEN)
    button = "document.querySelector('.question button[value=done]')"
    assert not await tab.evaluate(f"{button}.checkVisibility()")
    refused = await tab.evaluate(
        "fetch('/answer', {method: 'POST', headers: {Accept: 'application/json'}, body: new URLSearchParams({to: "
        "document.querySelector('.question input[name=to]').value, answer: 'done'})}).then(a => a.status)"
    )
    assert refused == 403
    tab.errors.clear()  # the browser tells of that answer as an error, as it should
    await tab.evaluate("document.getElementById('token').focus()")
    await tab.call("Input.insertText", text=token)
    await tab.press("Enter", 13)
    await tab.until("document.body?.dataset.may === 'yes'")
    cookie = (await tab.call("Network.getCookies"))["cookies"][0]
    assert (cookie["httpOnly"], cookie["sameSite"], cookie["value"] != token) == (True, "Strict", True)
    assert token not in await tab.evaluate("document.documentElement.outerHTML + location.href")
    await tab.until(f"{SEEN}.includes('Live,') && {button}?.checkVisibility()")  # its script is there too
    await tab.evaluate(f"{button}.focus()")
    await tab.press("Enter", 13)
    await tab.until("document.querySelectorAll('.question').length === 0")
    await tab.until("document.getElementById('outcome').innerText.includes('answered: done')")


async def _moves(tab: Tab) -> None:
    """Shot after shot, with drawings of it."""
    shot = "(document.getElementById('point').innerText.match(/Shot (\\d+)/) ?? [0, 0])[1]"
    first = await tab.until(f"Number({shot})")
    await tab.until(f"Number({shot}) > {first}")
    await tab.until("document.querySelector('#shot path.trace') && document.querySelector('#bench path.trace')")
    await tab.until("document.querySelectorAll('#ramp .mark').length > 1")
    assert "below the stop limit" in await tab.evaluate("document.getElementById('bench').innerText")
    inner, scroll, client = await tab.evaluate(
        "[innerWidth, document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert inner == 360
    assert scroll <= client <= 360, "no scrolling sideways"


async def _names_headings_and_contrast(tab: Tab) -> None:
    nodes = (await tab.call("Accessibility.getFullAXTree"))["nodes"]
    found = [(_value(n, "role"), _value(n, "name"), n) for n in nodes if not n["ignored"]]
    roles = [role for role, _, _ in found]
    for role, name, node in found:
        if role in ("button", "textbox", "link", "image", "img", "figure", "heading", "region"):
            assert name or role == "figure", node
    assert roles.count("heading") >= 7
    assert [level for role, _, node in found if role == "heading" and (level := _level(node)) == 1] == [1]
    assert {"main", "banner", "status", "alert", "table"} <= set(roles)
    assert any(role == "button" and name == "STOP" for role, name, _ in found)
    live = await tab.evaluate("document.querySelectorAll('[role=status], [role=alert], [aria-live]').length")
    assert live == 2, "two quiet places that speak, and no more"
    for dark in (False, True):
        await tab.window(360, dark=dark)
        texts = await tab.evaluate(TEXTS)
        assert len(texts) > 40
        poor = [
            (round(contrast(ink, paper), 2), *rest)
            for *rest, ink, paper, size, weight in (
                (text, ink, paper, size, weight) for text, ink, paper, size, weight in texts
            )
            if contrast(ink, paper) < (AA_LARGE if size >= 24 or (size >= 18.66 and int(weight) >= 700) else AA)
        ]
        assert poor == [], f"dark: {dark}"
    await tab.window(360)


def _value(node: dict[str, Any], key: str) -> str:
    return str(node.get(key, {}).get("value", ""))


def _level(node: dict[str, Any]) -> int | None:
    return next((p["value"]["value"] for p in node.get("properties", []) if p["name"] == "level"), None)


async def _stopped(tab: Tab, bench: Simulated) -> None:
    """Within a second of the click, told off by the instruments' own log; and said on the page, act by act."""
    await tab.until("document.getElementById('bench').innerText.includes('V')")
    pressed_ns = await clicked(tab, ".stop button")
    said = await tab.until("document.getElementById('safe').innerText.includes('confirmed') && "
                           "document.getElementById('safe').innerText")  # fmt: skip
    off = off_after_s(bench, pressed_ns)
    assert set(off) == set(OFF)
    assert max(off.values()) < OFF_WITHIN_S, off
    said = await tab.until("document.getElementById('safe').innerText.includes('made safe, confirmed') && "
                           "document.getElementById('safe').innerText")  # fmt: skip
    for act in ACTS:
        assert re.search(rf"{act}\s+confirmed, ", said), said
    assert re.search(r"signal off\s+confirmed, reads back off\s+0\.\d\d s", said), said


def test_stop_without_scripts(bench: Simulated, tmp_path: Path) -> None:
    """A plain form, and its answer says what was confirmed."""
    ledger, port = tmp_path / "nights", free_port()
    queued(bench, ledger, POWERS)

    async def look() -> None:
        async with browser(tmp_path) as chromium:
            tab = await chromium.tab()
            with serving(bench, ledger, port) as daemon:
                address, _ = await asyncio.to_thread(daemon.page)
                await tab.call("Emulation.setScriptExecutionDisabled", value=True)
                await tab.open(address)
                while "V rms" not in await tab.evaluate(SEEN) and "Vrms" not in await tab.evaluate(SEEN):
                    await asyncio.sleep(0.2)
                    await tab.open(address)
                pressed_ns = await clicked(tab, ".stop button")
                said = await tab.until(f"{SEEN}.includes('STOP was pressed') && {SEEN}")
                off = off_after_s(bench, pressed_ns)
                assert set(off) == set(OFF)
                assert max(off.values()) < OFF_WITHIN_S, off
                assert all(re.search(rf"{act}\s+confirmed, ", said) for act in ACTS), said
                assert await asyncio.to_thread(daemon.process.wait, LIMIT_S) == EXIT_STOPPED

    asyncio.run(look())
