"""Who may do what on the page, and what is refused. Pure: what a request says in, a decision out.

On loopback everybody may read and press STOP; whatever can energise wants the token. On any other address all of it
wants the token, STOP too. A request that names another host, or that comes from a page of another origin, is refused
whatever else it carries: so no foreign page can stop, answer or go on, and no name that was bent to this address helps.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Need = Literal["nothing", "looking", "stopping", "token"]  # what a path asks of who calls it

WRONG_HOST = "this page is not served under that name: open it by the address that was printed"
WRONG_ORIGIN = "this came from another page, and is refused: open the page itself"
NO_ORIGIN = "what can energise is asked by the page itself only"
POST_ONLY = "this is asked by POST only"
NO_TOKEN = "this wants the token that was printed at the start; nothing was done"
NO_TOKEN_STOP = "STOP wants the token here; the emergency stop by hand wants nothing"
NO_SUCH = "there is no such page"

NEEDS: Mapping[str, Need] = {
    "/": "looking",
    "/events": "looking",
    "/token": "nothing",
    "/forget": "nothing",
    "/stop": "stopping",
    "/answer": "token",
    "/hold": "token",
    "/go-on": "token",
}
ACTS = ("/token", "/forget", "/stop", "/answer", "/hold", "/go-on")  # POST, and nothing else
STATIC, SHEETS = "/static/", "/paper/"
SAME = ("same-origin", "none")  # of Sec-Fetch-Site (W3C Fetch Metadata): our own page, or a person's own doing


@dataclass(frozen=True)
class Doors:
    """scheme, hosts: what a browser may call us, `host:port`. loopback: nobody else reaches this address."""

    scheme: Literal["http", "https"]
    hosts: frozenset[str]
    loopback: bool

    @property
    def origins(self) -> frozenset[str]:
        return frozenset(f"{self.scheme}://{host}" for host in self.hosts)


@dataclass(frozen=True)
class Knock:
    """One request as it came. has_token: its cookie is the right one. None: that header was not sent."""

    method: str
    path: str
    host: str | None
    origin: str | None = None
    fetch_site: str | None = None
    has_token: bool = False


@dataclass(frozen=True)
class Refused:
    status: int
    sentence: str


def need_of(path: str) -> Need | None:
    """None: no such page."""
    if path.startswith(STATIC):
        return "nothing"
    return "looking" if path.startswith(SHEETS) else NEEDS.get(path)


def refusal(knock: Knock, doors: Doors) -> Refused | None:
    """None: let it in."""
    if (knock.host or "").lower() not in doors.hosts:
        return Refused(421, WRONG_HOST)
    need = need_of(knock.path)
    if need is None:
        return Refused(404, NO_SUCH)
    if knock.path in ACTS and knock.method != "POST":
        return Refused(405, POST_ONLY)
    if knock.path not in ACTS and knock.method not in ("GET", "HEAD"):
        return Refused(405, "this is only read")
    return _foreign(knock, doors, need) or _unknown(knock, doors, need)


def _foreign(knock: Knock, doors: Doors, need: Need) -> Refused | None:
    """A link on another page may open this one; nothing else of another page's doing is let in."""
    if knock.origin is not None and knock.origin.lower() not in doors.origins:
        return Refused(403, WRONG_ORIGIN)
    opened_by_a_link = knock.path == "/" and knock.method == "GET"
    if knock.fetch_site is not None and knock.fetch_site not in SAME and not opened_by_a_link:
        return Refused(403, WRONG_ORIGIN)
    if need == "token" and knock.origin is None:
        return Refused(403, NO_ORIGIN)
    return None


def _unknown(knock: Knock, doors: Doors, need: Need) -> Refused | None:
    if knock.has_token or need == "nothing" or (doors.loopback and need != "token"):
        return None
    return Refused(403, NO_TOKEN_STOP if need == "stopping" else NO_TOKEN)


def cookie_name(doors: Doors, port: int) -> str:
    """Cookies of one host go to all its ports: each page has its own. __Host-: set by this very host, over TLS."""
    return f"__Host-nightramp-{port}" if doors.scheme == "https" else f"nightramp-{port}"


def cookie_value(token: str) -> str:
    """Not the token itself: other servers on this machine are sent this cookie too."""
    return hashlib.sha256(b"cookie of the page\0" + token.encode()).hexdigest()


def is_same(given: str | None, right: str) -> bool:
    """In the same time, however much of it is right."""
    return given is not None and hmac.compare_digest(given.encode("utf-8", "replace"), right.encode())


def hosts_of(host: str, port: int, *, loopback: bool) -> frozenset[str]:
    """What may stand in a Host header. A port that is the scheme's own is left out by browsers: both forms."""
    names = {host.lower(), *(("127.0.0.1", "localhost") if loopback else ())}
    forms = {f"[{name}]" if ":" in name else name for name in names}
    usual = {80, 443} & {port}
    return frozenset({f"{form}:{port}" for form in forms} | (forms if usual else set()))
