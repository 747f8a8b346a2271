"""A bench's proof on the disk: which files it is of, where it lies, what it never goes over. sha256 by hashlib."""

from __future__ import annotations

import hashlib
import io
import json
import os
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.errors import InputRefused
from sequencer.plan.load import DIALECTS, load_bench
from sequencer.proving.gate import NotProved, sentence
from sequencer.proving.keep import (
    USUAL,
    ProofAsked,
    files_now,
    kept_at,
    looked_up,
    record_path,
    refuse_place,
    standing,
    write_proof,
)
from sequencer.proving.record import ProofValue
from sequencer.roles import load_dialects
from tests.drivers.test_codec import CODEC, DIALECT
from tests.sequencer.proofs import AT, own_bench, proof, step

NOW = datetime.fromisoformat(AT) + timedelta(hours=1)


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def proved(folder: Path, **more: object) -> Path:
    """A bench of one's own with a record of it as it is."""
    path = own_bench(folder)
    bench = load_bench(str(path))
    write_proof(record_path(bench), proof(files=files_now(bench, load_dialects(bench)), **more))
    return path


def told(path: Path, asked: ProofAsked = USUAL) -> dict[str, object]:
    bench = load_bench(str(path))
    return standing(asked, bench, load_dialects(bench), NOW)


def test_every_file_that_the_bench_names(tmp_path: Path) -> None:
    """Its own dialect by the name it has in the bench's file, one that ships by its shipped name."""
    path = own_bench(tmp_path)
    bench = load_bench(str(path))
    found = files_now(bench, load_dialects(bench))
    assert found == {
        "deck.toml": sha256(path),
        "ours.dialect.toml": sha256(tmp_path / "ours.dialect.toml"),
        **{
            name: sha256(DIALECTS / f"{name}.toml")
            for name in ("digitiser-a", "supply-a", "load-switch-a", "thermometer-a")
        },
    }


def test_a_codec_is_one_of_them(tmp_path: Path) -> None:
    path = own_bench(tmp_path)
    (tmp_path / "framed").mkdir()
    (tmp_path / "framed" / "mine.dialect.toml").write_text(DIALECT)
    (tmp_path / "framed" / "mine.codec.py").write_text(CODEC)
    path.write_text(path.read_text().replace('"thermometer-a"', '"framed/mine.dialect.toml"'))
    bench = load_bench(str(path))
    found = files_now(bench, load_dialects(bench))
    for name in ("framed/mine.codec.py", "framed/mine.dialect.toml"):
        assert found[name] == sha256(tmp_path / name)


def test_proved_and_then_each_file_altered(tmp_path: Path) -> None:
    """A byte more in any of them is told by its name; put back, the proof holds again."""
    path = proved(tmp_path)
    assert told(path)["proved"] is True
    for name in ("deck.toml", "ours.dialect.toml"):
        text = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(text + b"# one word more\n")
        with pytest.raises(NotProved, match=f"files.{name} = altered: {name} changed since"):
            told(path)
        (tmp_path / name).write_bytes(text)
    assert told(path)["proved"] is True


def test_who_only_looks_is_told_the_same(tmp_path: Path) -> None:
    path = proved(tmp_path, simulated=True)
    bench = load_bench(str(path))
    found = looked_up(ProofAsked(), bench, load_dialects(bench), NOW, {})
    assert found["proved"] is False
    assert "simulation only" in found["sentence"]
    assert found["command"] == f"nightramp instruments --bench {path} --prove"
    answered = told(path, ProofAsked(unproved_by="the mate"))
    assert sentence(answered).startswith("NO: proved by simulation only")


WAS = "HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4"


def test_who_only_looks_is_told_of_another_instrument(tmp_path: Path) -> None:
    path = proved(tmp_path)
    bench = load_bench(str(path))
    for answer, is_proved in ((WAS, True), (WAS.replace("2214", "2215"), False)):
        found = looked_up(USUAL, bench, load_dialects(bench), NOW, {"generator": answer})
        assert found["proved"] is is_proved
        assert ("another serial" in found["sentence"]) is not is_proved


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema_name": "nightramp.proof"}', '{"a": ' + "[" * 9999])
def test_a_record_that_is_none(tmp_path: Path, text: str) -> None:
    path = proved(tmp_path)
    (tmp_path / "deck.proof.json").write_text(text)
    with pytest.raises(NotProved, match=r"deck\.proof\.json: file = unreadable"):
        told(path)


def test_one_key_more_is_changed_by_hand(tmp_path: Path) -> None:
    path = proved(tmp_path)
    record = tmp_path / "deck.proof.json"
    record.write_text(json.dumps(json.loads(record.read_text()) | {"waived": True}))
    with pytest.raises(NotProved, match="changed by hand: waived"):
        told(path)


def test_where_it_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert record_path(load_bench("workshop")) == tmp_path / "workshop.proof.json"
    own = own_bench(tmp_path / "own")
    assert record_path(load_bench(str(own))) == own.parent / "deck.proof.json"
    assert record_path(load_bench(str(own)), Path("else.json")) == Path("else.json")


def test_a_figure_that_is_no_number_is_kept_as_none(tmp_path: Path) -> None:
    one = step("level", "generator", values=(ProofValue(name="residual", value=float("nan"), unit="V"),))
    write_proof(tmp_path / "p.json", proof(one))
    kept = kept_at(tmp_path / "p.json").proof
    assert kept is not None
    assert kept.steps[0].values[0].value is None


def test_what_a_record_never_goes_over(tmp_path: Path) -> None:
    refuse_place(tmp_path / "new.json", simulated=False)
    for name, text in (
        ("deck.toml", "format = 1\n"),
        ("results.json", '{"format": 1, "runs": []}'),
        ("list.json", "[]"),
    ):
        (tmp_path / name).write_text(text)
        with pytest.raises(InputRefused, match="is not written over"):
            refuse_place(tmp_path / name, simulated=False)
    write_proof(tmp_path / "real.json", proof())
    write_proof(tmp_path / "rehearsed.json", proof(simulated=True))
    refuse_place(tmp_path / "real.json", simulated=False)
    refuse_place(tmp_path / "rehearsed.json", simulated=True)
    refuse_place(tmp_path / "rehearsed.json", simulated=False)
    with pytest.raises(InputRefused, match="a rehearsal does not replace"):
        refuse_place(tmp_path / "real.json", simulated=True)
    for path, why in ((tmp_path, "is a folder"), (tmp_path / "no" / "p.json", "there is no folder")):
        with pytest.raises(InputRefused, match=why):
            refuse_place(path, simulated=False)


def test_a_folder_that_may_not_be_written_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # root may write anywhere
    with pytest.raises(InputRefused, match="nothing can be written"):
        refuse_place(tmp_path / "p.json", simulated=False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["instruments", "--bench", "workshop", "--by", "us"], "--by"),
        (["instruments", "--bench", "workshop", "--prove"], "--by"),
        (["instruments", "--bench", "nowhere.toml"], "nowhere.toml"),
        (["instruments", "--bench", "by_hand", "--prove", "--by", "us"], "role.supply"),
        (["instruments", "--bench", "workshop", "--prove", "--by", "us", "--proof", "./no/p.json"], "--proof"),
        (["run", "first", "--bench", "workshop", "--unit", "ferry_pa_60", "--armed-by", "us"], "--prove"),
    ],
)
def test_what_is_refused_before_anything_is_touched(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "run").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setattr("sys.stdin", io.StringIO())  # nobody types
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert said in capsys.readouterr().err
    assert sorted(one.name for one in tmp_path.iterdir()) == ["run"]
