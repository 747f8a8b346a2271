"""Who may do what on the page. Truths: README's "The live page"; Host and Origin after RFC 9110 and RFC 6454, the sites
of Sec-Fetch-Site after W3C Fetch Metadata, cookies after RFC 6265bis (prefix __Host-)."""

from __future__ import annotations

import shlex
from itertools import product
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.errors import EXIT_REFUSED, InputRefused
from sequencer.page.access import (
    ACTS,
    NEEDS,
    NO_TOKEN_STOP,
    Doors,
    Knock,
    cookie_name,
    cookie_value,
    hosts_of,
    is_same,
    refusal,
)
from sequencer.page.wish import opened, wish_of
from tests.processes.certificates import certificates

HERE = Doors("http", hosts_of("127.0.0.1", 8674, loopback=True), loopback=True)
AWAY = Doors("https", hosts_of("bench.harbour.example", 8674, loopback=False), loopback=False)
READ = ("/", "/events", "/paper/batch.html")
SERVE = ["serve", "--bench", "workshop", "--armed-by", "us", "--unproved-by", "us"]
ENERGISE = ("/answer", "/hold", "/go-on")


def knock(path: str, doors: Doors = HERE, **more: object) -> Knock:
    host = "127.0.0.1:8674" if doors is HERE else "bench.harbour.example:8674"
    method = "POST" if path in ACTS else "GET"
    origin = f"{doors.scheme}://{host}" if method == "POST" else None
    given = {"method": method, "path": path, "host": host, "origin": origin, "fetch_site": "same-origin"} | more
    return Knock(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize("path", [*READ, "/stop", "/token"])
def test_on_loopback_looking_and_stop_want_no_token(path: str) -> None:
    assert refusal(knock(path), HERE) is None


@pytest.mark.parametrize("path", ENERGISE)
def test_what_can_energise_wants_the_token_everywhere(path: str) -> None:
    for doors in (HERE, AWAY):
        refused = refusal(knock(path, doors), doors)
        assert refused is not None
        assert refused.status == 403
        assert refusal(knock(path, doors, has_token=True), doors) is None


@pytest.mark.parametrize("path", [*READ, "/stop"])
def test_beyond_this_machine_all_of_it_wants_the_token(path: str) -> None:
    refused = refusal(knock(path, AWAY), AWAY)
    assert refused is not None
    assert refused.status == 403
    assert (refused.sentence == NO_TOKEN_STOP) == (path == "/stop"), "it says what works without"
    assert refusal(knock(path, AWAY, has_token=True), AWAY) is None
    assert refusal(knock("/token", AWAY), AWAY) is None, "or nobody could hand it in"


@pytest.mark.parametrize(
    "host", ["evil.example:8674", "127.0.0.1", "127.0.0.1:8675", "localhost.evil.example:8674", "", None]
)
def test_another_host_is_refused_whatever_it_carries(host: str | None) -> None:
    """A name of a stranger's that was bent to this address (DNS rebinding)."""
    for path in NEEDS:
        refused = refusal(knock(path, host=host, has_token=True), HERE)
        assert refused is not None
        assert refused.status == 421


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "https://127.0.0.1:8674", "http://127.0.0.1:9999", "http://localhost:80", "null"]
)
def test_another_origin_stops_nothing_and_answers_nothing(origin: str) -> None:
    for path in ("/events", *ACTS):
        refused = refusal(knock(path, origin=origin, has_token=True, fetch_site=None), HERE)
        assert refused is not None
        assert refused.status == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site", "anything"])
def test_a_link_elsewhere_may_open_the_page_and_do_nothing_more(site: str) -> None:
    assert refusal(knock("/", fetch_site=site), HERE) is None
    for path in (*ACTS, "/events", "/paper/batch.html"):
        assert refusal(knock(path, fetch_site=site, has_token=True), HERE) is not None, path


def test_a_script_at_this_machine_may_stop_but_not_energise() -> None:
    """No browser: no Origin, no Sec-Fetch-Site."""
    assert refusal(knock("/stop", origin=None, fetch_site=None), HERE) is None
    for path in ENERGISE:
        assert refusal(knock(path, origin=None, fetch_site=None, has_token=True), HERE) is not None


def test_acts_are_asked_by_post_alone_and_the_rest_is_only_read() -> None:
    for path, method in product(ACTS, ("GET", "HEAD", "PUT")):
        refused = refusal(knock(path, method=method, has_token=True), HERE)
        assert refused is not None
        assert refused.status == 405
    for path in READ:
        refused = refusal(knock(path, method="POST", has_token=True), HERE)
        assert refused is not None
        assert refused.status == 405
    unknown = refusal(knock("/settings", has_token=True), HERE)
    assert unknown is not None
    assert unknown.status == 404


def test_the_cookie_is_not_the_token_and_is_compared_whole() -> None:
    right = cookie_value("word")
    assert "word" not in right
    assert right != cookie_value("other")
    assert is_same(right, right)
    assert not is_same(right[:-1], right)
    assert not is_same(None, right)
    assert not is_same("\u00e9\ud800", right), "whatever a browser sends"
    assert cookie_name(AWAY, 8674).startswith("__Host-")
    assert cookie_name(HERE, 8674) != cookie_name(HERE, 8675)


def test_a_port_of_the_scheme_is_left_out_by_browsers() -> None:
    assert "bench.example" in hosts_of("bench.example", 443, loopback=False)
    assert "[::1]:8674" in hosts_of("::1", 8674, loopback=True)


# --- where it is served, by the command line


def test_the_unit_file_of_a_service_has_its_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["serve", "--bench", "workshop", "--ledger", str(tmp_path), "--armed-by", "the workshop", "--print-unit"]
    words += ["--page", "--page-certificate", str(tmp_path / "page.pem"), "--page-key", str(tmp_path / "page.key")]
    assert main(words) == 0
    (line,) = [one for one in capsys.readouterr().out.splitlines() if one.startswith("ExecStart=")]
    given = shlex.split(line.removeprefix("ExecStart="))
    named = dict(zip(given[5::2], given[6::2], strict=True))
    assert named["--page"] == "127.0.0.1:8674"
    assert named["--page-key"] == str(tmp_path / "page.key")


@pytest.mark.parametrize("command", [["dry-run", "first"], SERVE])
@pytest.mark.parametrize(
    ("more", "key"),
    [
        (["--page-key", "x.pem"], "--page-key"),
        (["--page", "0.0.0.0:8674"], "--page"),
        (["--page", "127.0.0.1:0", "--page-certificate", "x.pem", "--page-key", "y.pem"], "--page-certificate"),
    ],
)
def test_a_page_that_can_not_be_is_refused_and_nothing_written(
    command: list[str], more: list[str], key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "night"
    where = ["--out", str(out)] if command[0] == "dry-run" else ["--ledger", str(out)]
    assert main([*command, *where, *more]) == EXIT_REFUSED
    assert f"command line: {key} = " in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("8674", "HOST:PORT"),
        ("127.0.0.1", "HOST:PORT"),
        ("127.0.0.1:x", "HOST:PORT"),
        ("127.0.0.1:70000", "HOST:PORT"),
        ("::1:8674", "HOST:PORT"),
        ("0.0.0.0:8674", "the one address"),
        ("[::]:8674", "the one address"),
        (":8674", "the one address"),
        ("192.0.2.7:8674", "only over TLS"),
        ("bench.harbour.example:8674", "only over TLS"),
        ("localhost.harbour.example:8674", "only over TLS"),
    ],
)
def test_a_place_that_can_not_be_served_is_refused_with_its_remedy(where: str, words: str) -> None:
    with pytest.raises(InputRefused) as refused:
        wish_of(where)
    (problem,) = refused.value.problems
    assert (problem.key, problem.value) == ("--page", where)
    assert words in problem.remedy


def test_certificate_and_key_go_together_and_must_be_a_pair(tmp_path: Path) -> None:
    made = certificates(tmp_path)
    certificate, key = made.bench
    for pair, named in (
        ((certificate, None), "--page-key"),
        ((None, key), "--page-certificate"),
    ):
        with pytest.raises(InputRefused, match=named):
            wish_of("192.0.2.7:8674", *pair)
    for one, other, words in (
        (certificate, made.stranger[1], "of one pair"),
        (certificate, made.locked, "without a passphrase"),
        (key, key, "no certificate"),
        (tmp_path / "none.pem", key, "can't be read"),
    ):
        with pytest.raises(InputRefused, match=words):
            opened(wish_of("127.0.0.1:0", one, other))
    with_tls = opened(wish_of("127.0.0.1:0", certificate, key))
    assert with_tls.address == f"https://127.0.0.1:{with_tls.port}/"
    with_tls.close()


def test_a_port_that_is_taken_is_refused() -> None:
    first = opened(wish_of("127.0.0.1:0"))
    try:
        with pytest.raises(InputRefused, match="in use"):
            opened(wish_of(f"127.0.0.1:{first.port}"))
        assert first.address == f"http://127.0.0.1:{first.port}/"
    finally:
        first.close()
