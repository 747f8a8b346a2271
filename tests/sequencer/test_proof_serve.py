"""A daemon looks its bench's proof up before each night: what changed meanwhile ends it, and its queue stays whole.

Nights are told to it, as in the tests of its loop.
"""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.daemon import work
from sequencer.errors import EXIT_DONE
from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench
from sequencer.proving.gate import NotProved
from sequencer.proving.keep import USUAL, ProofAsked, files_now, record_path, write_proof
from sequencer.roles import load_dialects
from tests.sequencer.proofs import own_bench, proof
from tests.sequencer.test_daemon_work import Workshop


@pytest.fixture
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workshop:
    """A bench of its own, proved a moment ago."""
    one = Workshop(tmp_path, prove(own_bench(tmp_path)))
    monkeypatch.setattr(work, "guarded_night", one.night)
    monkeypatch.setattr(work, "pages", one.pages)
    return one


def prove(path: Path) -> Loaded[Bench]:
    bench, now = load_bench(str(path)), datetime.now(UTC).isoformat()
    write_proof(record_path(bench), proof(files=files_now(bench, load_dialects(bench)), started=now, ended=now))
    return bench


def changed(path: Path) -> None:
    path.write_text(path.read_text() + "\n# changed\n")


def test_a_proof_that_holds_is_asked_nothing_more(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    assert workshop.works(proof=USUAL) == EXIT_DONE
    assert workshop.states() == ["done", "done"]


def test_a_dialect_that_changes_between_two_nights_ends_it(workshop: Workshop) -> None:
    """The next entry waits on: who has proved the bench again starts it again, and need not let anything go on."""
    dialect = workshop.folder / "ours.dialect.toml"
    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    workshop.then = lambda: changed(dialect)
    with pytest.raises(NotProved, match=r"files\.ours\.dialect\.toml = altered"):
        workshop.works(proof=USUAL)
    assert (workshop.measured, workshop.states()) == (["MV-0117"], ["done", "waiting"])
    assert workshop.works(proof=ProofAsked(unproved_by="the mate")) == EXIT_DONE
    assert workshop.states() == ["done", "done"]


def test_the_reference_unit_is_driven_on_no_other_terms(workshop: Workshop) -> None:
    record_path(workshop.bench).unlink()
    workshop.add("ferry_pa_60_aft@2")
    with pytest.raises(NotProved, match="never proved"):
        workshop.works(proof=USUAL, reference=("ferry_pa_60:REF@1", "first"))
    assert (workshop.measured, workshop.states()) == ([], ["waiting"])


class Answering(socketserver.StreamRequestHandler):
    """The generator of a bench, and nothing but its identity."""

    identity = b""

    def handle(self) -> None:
        while line := self.rfile.readline():
            assert line == b"*IDN?\n", "it was told something"
            self.wfile.write(self.identity + b"\n")


WAS, NOW = b"HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4", b"HARBOUR INSTRUMENTS,FG-1,FG-9999,1.4"


@pytest.fixture
def generator(workshop: Workshop, monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Answering]]:
    """Listens where the bench's file says."""
    monkeypatch.setattr(Answering, "identity", WAS)
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Answering) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        own = workshop.bench.model.role["generator"].address
        path = workshop.bench.path
        path.write_text(path.read_text().replace(own, f"TCPIP::127.0.0.1::{server.server_address[1]}::SOCKET"))
        workshop.bench = prove(path)
        yield Answering
        server.shutdown()


def test_another_instrument_at_its_place_ends_it_and_its_entry_waits(
    workshop: Workshop, generator: type[Answering]
) -> None:
    """The proof is of the one that stood there: a swap between two nights is seen before anything is set."""

    def swapped() -> None:
        generator.identity = NOW

    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    workshop.then = swapped
    with pytest.raises(NotProved, match=r"identities\.generator = .*another serial.*FG-9999.*FG-2214"):
        workshop.works(proof=USUAL)
    assert (workshop.measured, workshop.states()) == (["MV-0117"], ["done", "waiting"])
    assert workshop.works(proof=ProofAsked(unproved_by="the mate")) == EXIT_DONE
    assert workshop.states() == ["done", "done"]
    assert "answered for by the mate" in "\n".join(workshop.said)


def test_a_reference_unit_waits_for_it_too(workshop: Workshop, generator: type[Answering]) -> None:
    generator.identity = NOW
    workshop.add("ferry_pa_60_aft@2")
    with pytest.raises(NotProved, match="another serial"):
        workshop.works(proof=USUAL, reference=("ferry_pa_60:REF@1", "first"))
    assert (workshop.measured, workshop.states()) == ([], ["waiting"])
