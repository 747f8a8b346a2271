"""A headless Chromium, spoken to over its DevTools protocol: a page as a person's browser has it, its requests, its
console, its tree for screen readers."""

from __future__ import annotations

import asyncio
import base64
import json
import shutil
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiohttp

WITHIN_S = 20.0
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--remote-debugging-port=0",
]  # fmt: skip


class Tab:
    """One page. requests: URLs asked for; errors: what stands in the console as an error, and exceptions."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket, self._number = socket, 0
        self._waiting: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self.requests: list[str] = []
        self.errors: list[str] = []
        self.reader = asyncio.create_task(self._read(), name="DevTools")

    async def _read(self) -> None:
        async for message in self._socket:
            said = json.loads(message.data)
            if "id" in said:
                self._waiting.pop(said["id"]).set_result(said)
            else:
                self._event(said["method"], said["params"])

    def _event(self, method: str, params: dict[str, Any]) -> None:
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(params["exceptionDetails"])[:500])
        elif method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(f"{params['entry']['text']} {params['entry'].get('url', '')}")
        elif method == "Runtime.consoleAPICalled" and params["type"] == "error":
            self.errors.append(json.dumps(params["args"])[:500])

    async def call(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting[self._number] = answer
        await self._socket.send_json({"id": self._number, "method": method, "params": params})
        async with asyncio.timeout(WITHIN_S):
            said = await answer
        assert "error" not in said, (method, said["error"])
        return dict(said["result"])

    async def evaluate(self, script: str) -> Any:
        """The value of an expression, or of a promise."""
        said = await self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in said, said["exceptionDetails"]
        return said["result"].get("value")

    async def until(self, script: str, within_s: float = WITHIN_S) -> Any:
        """The first value of an expression that is true."""
        until_s = time.monotonic() + within_s
        while True:
            with suppress(AssertionError):  # between two pages there is nothing to ask
                if found := await self.evaluate(f"(found => found instanceof Node ? true : found)({script})"):
                    return found
            assert time.monotonic() < until_s, f"never true: {script}; {await self.evaluate('document.body.innerText')}"
            await asyncio.sleep(0.03)

    async def open(self, url: str) -> None:
        await self.call("Page.navigate", url=url)
        await self.until(f"document.readyState === 'complete' && location.href.startsWith({json.dumps(url[:20])})")

    async def window(self, width: int, height: int = 900, *, dark: bool = False, calm: bool = False) -> None:
        await self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False
        )
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        features.append({"name": "prefers-reduced-motion", "value": "reduce" if calm else "no-preference"})
        await self.call("Emulation.setEmulatedMedia", features=features)

    async def picture(self, path: Path) -> None:
        """The whole page as PNG."""
        said = await self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        await asyncio.to_thread(path.write_bytes, base64.b64decode(said["data"]))

    async def press(self, key: str, code: int) -> None:
        for kind in ("keyDown", "keyUp"):
            more = {"text": "\r"} if key == "Enter" and kind == "keyDown" else {}
            await self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code, **more)


class Browser:
    """http: where its tabs are made."""

    def __init__(self, session: aiohttp.ClientSession, http: str) -> None:
        self._session, self._http = session, http
        self._tabs: list[tuple[aiohttp.ClientWebSocketResponse, Tab]] = []

    async def tab(self) -> Tab:
        async with self._session.put(f"{self._http}/json/new?about:blank") as made:
            address = (await made.json(content_type=None))["webSocketDebuggerUrl"]
        socket = await self._session.ws_connect(address, max_msg_size=0)
        tab = Tab(socket)
        self._tabs.append((socket, tab))
        for domain in ("Page", "Network", "Runtime", "Log", "Accessibility"):
            await tab.call(f"{domain}.enable")
        return tab

    async def close(self) -> None:
        for socket, tab in self._tabs:
            await socket.close()
            tab.reader.cancel()
            await asyncio.gather(tab.reader, return_exceptions=True)


@asynccontextmanager
async def browser(folder: Path) -> AsyncIterator[Browser]:
    """Chromium with a profile of its own in this folder. An error where it is missing: a page that nobody looked at is
    not known to be right."""
    if shutil.which("chromium") is None:
        raise RuntimeError("install Debian's package chromium: these tests need it")
    profile = folder / "profile"
    process = _started(profile)
    try:
        port = await asyncio.to_thread(_port, profile / "DevToolsActivePort", process)
        async with aiohttp.ClientSession() as session:
            made = Browser(session, f"http://127.0.0.1:{port}")
            try:
                yield made
            finally:
                await made.close()
    finally:
        process.kill()
        process.wait()


def _started(profile: Path) -> subprocess.Popen[bytes]:
    command = ["chromium", *FLAGS, f"--user-data-dir={profile}", "about:blank"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _port(path: Path, process: subprocess.Popen[bytes]) -> int:
    until_s = time.monotonic() + WITHIN_S
    while time.monotonic() < until_s and process.poll() is None:
        if path.exists() and (lines := path.read_text().splitlines()):
            return int(lines[0])
        time.sleep(0.05)
    raise AssertionError("Chromium did not come up")
