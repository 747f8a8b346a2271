"""The page's paths: reading, the stream, STOP, answers. On a loop of its own; the night is asked over `Reach`."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from aiohttp import web

from sequencer.clock import RealClock
from sequencer.night.questions import Outcome
from sequencer.page.access import (
    SHEETS,
    STATIC,
    Doors,
    Knock,
    cookie_name,
    cookie_value,
    is_same,
    refusal,
)
from sequencer.page.gallery import Gallery, event
from sequencer.page.static_files import static_files

BEAT_S, GIVEN_UP_S, RETRY_MS = 2.0, 15.0, 1000
LARGEST_FORM = 4096
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
SHEET_POLICY = (  # a sheet brings its own style, and no script
    "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # "no-referrer" would take the origin out of our own forms too
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


class Reach(Protocol):
    """What the paths reach for."""

    async def whole(self, may: bool, outcome: str) -> str:
        """The page. may: this browser has the token; outcome: of what was just asked."""

    async def fresh(self) -> None:
        """The gallery as of now."""

    def refused(self, sentence: str) -> str: ...
    async def sheet(self, name: str) -> Path | None:
        """The file of a page that is listed."""

    async def stopped(self) -> Outcome:
        """Asked; then waits a moment for what is confirmed."""

    async def acted(self, kind: str, more: Mapping[str, str]) -> Outcome: ...
    def say(self, line: str) -> None: ...


@dataclass
class Serving:
    """token: what can energise wants it. closing: the last word was said. served: connections that asked something."""

    doors: Doors
    port: int
    token: str
    gallery: Gallery
    reach: Reach
    closing: asyncio.Event = field(init=False, default_factory=asyncio.Event)
    served: set[object] = field(init=False, default_factory=set)

    def has_token(self, request: web.Request) -> bool:
        return is_same(request.cookies.get(cookie_name(self.doors, self.port)), cookie_value(self.token))


SERVING = web.AppKey("serving", Serving)


def app(serving: Serving) -> web.Application:
    made = web.Application(middlewares=[_door], client_max_size=LARGEST_FORM)
    made[SERVING] = serving
    made.on_response_prepare.append(_headers)
    made.router.add_get("/", _page)
    made.router.add_get("/events", _events)
    made.router.add_get(STATIC + "{name}", _static)
    made.router.add_get(SHEETS + "{name:.+}", _sheet)
    made.router.add_post("/token", _token)
    made.router.add_post("/forget", _forget)
    made.router.add_post("/stop", _stop)
    made.router.add_post("/answer", _answer)
    made.router.add_post("/hold", _hold)
    made.router.add_post("/go-on", _go_on)
    return made


async def _headers(request: web.Request, response: web.StreamResponse) -> None:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers.setdefault("Content-Security-Policy", POLICY)
    response.headers.pop("Server", None)


@web.middleware
async def _door(
    request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
) -> web.StreamResponse:
    """Every request, those of no path of ours too, is held against the rules first."""
    serving = request.app[SERVING]
    serving.served.add(request.protocol)
    if request.path == "/" and request.method == "GET" and "token" in request.query:
        return _with_cookie(request, request.query["token"])
    found = refusal(_knock(request, serving), serving.doors)
    if found is not None:
        return _told(request, ("refused", found.sentence), found.status)
    try:
        return await handler(request)
    except web.HTTPException as error:  # no such path, a form that is too large
        return _told(request, ("refused", (error.reason or "refused").lower()), error.status)
    except (ConnectionError, asyncio.CancelledError):
        raise
    except Exception as error:  # said, and the next request is a new one
        serving.reach.say(f"the page could not answer {request.path}: {type(error).__name__}: {error}")
        return _told(request, ("refused", "that went wrong here; it was said where this runs"), 500)


def _knock(request: web.Request, serving: Serving) -> Knock:
    headers = request.headers
    return Knock(
        request.method,
        request.path,
        headers.get("Host"),
        headers.get("Origin"),
        headers.get("Sec-Fetch-Site"),
        serving.has_token(request),
    )


def _told(request: web.Request, outcome: Outcome, status: int = 200) -> web.Response:
    """In the form that was asked for."""
    serving = request.app[SERVING]
    done, sentence = outcome
    if "application/json" in request.headers.get("Accept", ""):
        body = {"outcome": done, "sentence": sentence, "may": serving.has_token(request)}
        return web.json_response(body, status=status)
    return web.Response(text=serving.reach.refused(sentence), status=status, content_type="text/html")


# --- reading


async def _page(request: web.Request) -> web.Response:
    serving = request.app[SERVING]
    text = await serving.reach.whole(serving.has_token(request), "")
    return web.Response(text=text, content_type="text/html")


async def _static(request: web.Request) -> web.Response:
    found = static_files().get(request.match_info["name"])
    if found is None:
        raise web.HTTPNotFound
    return web.Response(body=found, content_type=KINDS[Path(request.match_info["name"]).suffix], charset="utf-8")


async def _sheet(request: web.Request) -> web.Response:
    path = await request.app[SERVING].reach.sheet(request.match_info["name"])
    if path is None:
        raise web.HTTPNotFound
    body = await asyncio.get_running_loop().run_in_executor(None, path.read_bytes)
    headers = {"Content-Security-Policy": SHEET_POLICY}
    return web.Response(body=body, content_type="text/html", charset="utf-8", headers=headers)


async def _events(request: web.Request) -> web.StreamResponse:
    """Whole at first, then what has changed; a beat where nothing has."""
    serving, clock = request.app[SERVING], RealClock()
    with serving.gallery.viewer() as has_room:
        if not has_room:
            return _told(request, ("refused", "too many look already: close another window first"), 503)
        response = web.StreamResponse(headers={"Content-Type": "text/event-stream"})
        if serving.gallery.viewers == 1:  # nobody looked until now, and nothing was drawn
            await serving.reach.fresh()
        await response.prepare(request)
        first = f"retry: {RETRY_MS}\n\n".encode() + event("hello", {"may": serving.has_token(request)})
        try:
            await _written(response, first, clock)
            await _stream(response, serving, clock)
        except ConnectionError:  # gone
            pass
        except TimeoutError:  # what it did not take is not kept for it
            if request.transport is not None:
                request.transport.abort()
        return response


async def _stream(response: web.StreamResponse, serving: Serving, clock: RealClock) -> None:
    gallery, number = serving.gallery, 0
    while True:
        if gallery.number > number:
            number, news = gallery.number, gallery.since(number)
            await _written(response, news, clock)
            continue
        over = serving.closing.is_set()
        await _written(response, event("bye" if over else "beat", {}), clock)
        if over:
            return
        with suppress(TimeoutError):
            async with clock.deadline(BEAT_S):
                await _either(gallery.newer(number), serving.closing.wait())


async def _either(*these: Awaitable[object]) -> None:
    tasks = [asyncio.ensure_future(one) for one in these]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in tasks:
            one.cancel()


async def _written(response: web.StreamResponse, text: bytes, clock: RealClock) -> None:
    """Who takes nothing for a while is let go; a browser comes again by itself. Raises TimeoutError."""
    async with clock.deadline(GIVEN_UP_S):
        await response.write(text)


# --- the token


async def _token(request: web.Request) -> web.StreamResponse:
    return _with_cookie(request, str((await request.post()).get("token", "")).strip())


def _with_cookie(request: web.Request, given: str) -> web.StreamResponse:
    """Redirected, so that the token stands in no address and no history."""
    serving = request.app[SERVING]
    if (request.headers.get("Host") or "").lower() not in serving.doors.hosts or not is_same(given, serving.token):
        return _told(request, ("refused", "that is not the token that was printed at the start"), 403)
    response = _to_the_page()
    _set_cookie(response, serving, cookie_value(serving.token), None)
    return response


def _to_the_page() -> web.Response:
    return web.Response(status=303, headers={"Location": "/"})


async def _forget(request: web.Request) -> web.StreamResponse:
    response = _to_the_page()
    _set_cookie(response, request.app[SERVING], "", 0)
    return response


def _set_cookie(response: web.Response, serving: Serving, value: str, max_age: int | None) -> None:
    name, secure = cookie_name(serving.doors, serving.port), serving.doors.scheme == "https"
    response.set_cookie(name, value, max_age=max_age, path="/", httponly=True, samesite="Strict", secure=secure)


# --- what is asked for


async def _stop(request: web.Request) -> web.Response:
    """No question first, no page between."""
    serving = request.app[SERVING]
    outcome = await serving.reach.stopped()
    if "application/json" in request.headers.get("Accept", ""):
        return _told(request, outcome)
    text = await serving.reach.whole(serving.has_token(request), outcome[1])
    return web.Response(text=text, content_type="text/html")


async def _answer(request: web.Request) -> web.StreamResponse:
    form = await request.post()
    told = {name: str(form.get(name, "")) for name in ("to", "answer")}
    return await _acted(request, "answer", told)


async def _hold(request: web.Request) -> web.StreamResponse:
    return await _acted(request, "hold", {})


async def _go_on(request: web.Request) -> web.StreamResponse:
    return await _acted(request, "go on", {})


async def _acted(request: web.Request, kind: str, more: Mapping[str, str]) -> web.StreamResponse:
    serving = request.app[SERVING]
    outcome = await serving.reach.acted(kind, more)
    status = 200 if outcome[0] == "done" else 409
    if status == 200 and "application/json" not in request.headers.get("Accept", ""):
        return _to_the_page()
    return _told(request, outcome, status)
