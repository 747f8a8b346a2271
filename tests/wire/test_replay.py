"""`dry-run --record` and `replay`: a night byte for byte, and each changed byte found and explained."""

from __future__ import annotations

import json
import re
import shutil
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from drivers.tape import CAME, SENT, Entry, entries, line_of
from sequencer.cli import main
from sequencer.compose import DryRun, Rig, do, dry_run
from sequencer.errors import InputRefused
from sequencer.ledger.declared import read_declared
from sequencer.recording import Recorded
from simulators.faults import LinkFault, LinkFaults

PLAN = {"plan": "first", "units": ("ferry_pa_60",), "bench": "workshop"}


BY_HAND = """format = 1
name = "by_hand"
rest = "quick"

[[stage]]
name = "gains"
measurement = "gain"
loads = ["4R"]
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, list[Any]]:
    """Its folder, its recording, and what the simulated instruments say they heard and answered."""
    folder = tmp_path_factory.mktemp("recorded")
    heard: list[Any] = []
    rig = Rig(log=lambda *entry: heard.append(entry))
    dry_run(DryRun(**PLAN, out=folder / "night", record=folder / "links.txt", rig=rig), lambda _: None)
    return folder / "night", folder / "links.txt", heard


def replay(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["replay", *map(str, words)])
    done = capsys.readouterr()
    return code, done.out + done.err


def lines_of(path: Path) -> list[str]:
    return path.read_text().splitlines(keepends=True)


def test_every_byte_is_there_as_the_other_side_tells_it(night: tuple[Path, Path, list[Any]]) -> None:
    """The witness is the simulated instruments' own log: each message, and each reply with its line end."""
    _, recording, heard = night
    told: dict[str, list[tuple[str, bytes]]] = defaultdict(list)
    for entry in entries(lines_of(recording)):
        if entry.sign in (SENT, CAME):
            told[entry.who].append((entry.sign, entry.data))
    theirs: dict[str, list[tuple[str, bytes]]] = defaultdict(list)
    for _, panel, message, reply in heard:
        theirs[panel.rpartition("-")[0].replace("-", "_")].append((SENT, message.encode() + b"\n"))
        if reply is not None:
            theirs[panel.rpartition("-")[0].replace("-", "_")].append((CAME, reply))
    assert sum(map(len, theirs.values())) > 1000
    assert told == theirs


def test_being_recorded_changes_nothing(night: tuple[Path, Path, list[Any]], tmp_path: Path) -> None:
    dry_run(DryRun(**PLAN, out=tmp_path / "plain"), lambda _: None)
    for name in ("results.json", "declared.json"):
        assert (night[0] / name).read_bytes() == (tmp_path / "plain" / name).read_bytes()


def test_it_replays_byte_for_byte_to_the_same_results(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, recording, _ = night
    code, said = replay(capsys, recording, "--out", tmp_path / "again")
    assert code == 0, said
    assert "every byte as recorded, and the same results" in said
    kept = [path for path in sorted(folder.rglob("*")) if path.suffix in (".json", ".jsonl", ".npz")]
    assert {path.suffix for path in kept} == {".json", ".jsonl", ".npz"}
    for path in kept:
        assert path.read_bytes() == (tmp_path / "again" / path.relative_to(folder)).read_bytes(), path.name


def changed(night: tuple[Path, Path, list[Any]], out: Path, line: int, was: str, now: str) -> Path:
    """A copy with one byte of that line changed."""
    lines = lines_of(night[1])
    new = lines[line - 1][:9] + lines[line - 1][9:].replace(was, now, 1)
    assert sum(a != b for a, b in zip(new, lines[line - 1], strict=True)) == 1
    lines[line - 1] = new
    out.write_text("".join(lines))
    return out


def test_one_changed_byte_of_a_message_is_found_and_explained(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at = next(n for n, line in enumerate(lines_of(night[1]), 1) if "generator > SOUR1:BURS:NCYC 1\\n" in line)
    path = changed(night, tmp_path / "links.txt", at, "NCYC 1", "NCYC 2")
    code, said = replay(capsys, path)
    assert code == 1
    assert f"line {at}: generator at 0.006000000 s, what was sent: a byte was changed" in said
    assert "'1' expected, '2' came" in said
    code, said = replay(capsys, path, "--edited")
    assert code == 1
    assert f"generator at 0.006000000 s (line {at}): another message is sent now than was recorded" in said
    assert "recorded : SOUR1:BURS:NCYC 2\\n" in said
    assert "sent now : SOUR1:BURS:NCYC 1\\n" in said
    assert "'2' recorded, '1' sent now" in said


def test_one_changed_byte_of_a_reply_is_found_and_explained(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found in the file itself; taken as it is, the night goes another way from there on: more than 30 A at the supply
    must trip, and make it tell the generator something else than what was recorded."""
    recorded = [e for e in entries(lines_of(night[1])) if e.who == "supply" and e.sign == CAME and b"," in e.data]
    read = next(e for e in recorded[len(recorded) // 2 :] if e.data.rstrip().endswith(b"E+00"))
    text = read.data.decode().strip()
    path = changed(night, tmp_path / "links.txt", read.line, text, text[:-1] + "2")
    code, said = replay(capsys, path)
    assert code == 1
    assert f"line {read.line}: supply at {read.at} s, what came: a byte was changed" in said
    assert "'0' expected, '2' came" in said
    code, said = replay(capsys, path, "--edited")
    assert code == 1
    assert re.search(r"(generator|supply|digitiser|load_switch) at [0-9.]+ s.*(recorded|another message)", said), said


def test_one_changed_byte_among_samples_is_found_and_changes_the_point(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A byte of base64 is six bits of one sample: no message hangs on it, but a number does."""
    blocks = [(n, line) for n, line in enumerate(lines_of(night[1]), 1) if " digitiser <# " in line]
    longest = max(len(line) for _, line in blocks)  # a burst's, not those of the looks in silence
    at, line = [one for one in blocks if len(one[1]) == longest][-3]  # of the last shot, three inputs wide: output A
    path = changed(night, tmp_path / "links.txt", at, line[-400:-300], "A" + line[-399:-300])
    code, said = replay(capsys, path)
    assert code == 1
    assert f"line {at}: digitiser at" in said
    assert "'A' came" in said
    code, said = replay(capsys, path, "--edited")
    assert code == 1
    assert "every message is the same, but the results are not" in said or "another message is sent now" in said, said


def test_a_recording_that_breaks_off_replays_as_far_as_it_goes(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its writer was killed: the last line is half a line."""
    whole = night[1].read_text()
    (tmp_path / "links.txt").write_text(whole[: len(whole) // 2])
    code, said = replay(capsys, tmp_path)  # the folder will do
    assert code == 0
    assert "it breaks off" in said
    assert "replayed as far as the recording goes" in said


def test_a_night_that_tripped_on_a_dead_link_replays_to_the_same_trip(tmp_path: Path) -> None:
    from sequencer.night.listen import Plain
    from sequencer.recording import named_file
    from sequencer.replaying import looked_through, replay_night
    from sequencer.report.lines import point_line

    rig = Rig(faults={"supply": LinkFaults((LinkFault("silent", at_s=8.0, times=None),))})
    done = dry_run(
        DryRun(**PLAN, out=tmp_path / "then", record=named_file(f"{tmp_path}/rec/"), rig=rig), lambda _: None
    )
    assert done.exit_code != 0
    looked = looked_through(tmp_path / "rec" / "links.txt")
    again = replay_night(looked, tmp_path / "now", Plain(lambda _: None, point_line))
    assert again.difference == ""
    assert again.done is not None
    assert again.done.exit_code == done.exit_code
    assert (tmp_path / "then" / "results.json").read_bytes() == (tmp_path / "now" / "results.json").read_bytes()


def test_what_a_person_answered_is_replayed_too(tmp_path: Path) -> None:
    """A load that a person connects, half a minute after having been asked."""
    from sequencer.measurements.requests import Answer, Ask
    from sequencer.night.listen import Plain
    from sequencer.replaying import looked_through, replay_night
    from sequencer.report.lines import point_line

    shipped = Path(__file__).parents[2] / "sequences" / "benches" / "workshop.toml"
    bench = shipped.read_text().replace('close = { A = ["103"], B = ["104"] }', "by_hand = true")
    (tmp_path / "bench.toml").write_text(bench)
    (tmp_path / "plan.toml").write_text(BY_HAND)
    there: list[Any] = []

    async def person(ask: Ask) -> Answer:
        await there[0]._timebase.sleep(30.0)
        if ask.deed is not None:
            do(there[0], ask.deed)
        return Answer("done", by_a_person=True)

    asked = DryRun(
        plan=str(tmp_path / "plan.toml"),
        units=("ferry_pa_60",),
        bench=str(tmp_path / "bench.toml"),
        out=tmp_path / "then",
        rig=Rig(watch=there.append),
        asking=person,
        record=tmp_path / "links.txt",
    )
    done = dry_run(asked, lambda _: None)
    assert done.exit_code == 0, done.text
    looked = looked_through(tmp_path / "links.txt")
    assert looked.answers
    again = replay_night(looked, tmp_path / "now", Plain(lambda _: None, point_line))
    assert again.difference == ""
    assert (tmp_path / "then" / "results.json").read_bytes() == (tmp_path / "now" / "results.json").read_bytes()


def test_a_bench_s_own_dialect_is_in_the_recording(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever replays somebody else's night has not that file: its text is told on the first line."""
    from drivers.dialect import load_dialect

    folder, recording, _ = night
    own = tmp_path / "mine.dialect.toml"
    own.write_text((Path(__file__).parents[2] / "drivers" / "dialects" / "supply-a.toml").read_text())
    declared = read_declared(folder)
    names = {"generator": "generator-a", "digitiser": "digitiser-a", "load_switch": "load-switch-a"}
    names |= {"thermometer": "thermometer-a", "supply": str(own)}
    dialects = {role: load_dialect(name, role) for role, name in names.items()}  # type: ignore[arg-type]
    head = Recorded(declared, dialects, datetime(2026, 1, 5, 22, 0, tzinfo=UTC)).head()  # type: ignore[arg-type]
    own.unlink()
    lines = lines_of(recording)
    lines[1] = line_of(Entry(0, "-", "=", head.encode()), 0)[0] + "\n"
    (tmp_path / "links.txt").write_text("".join(lines))
    code, said = replay(capsys, tmp_path, "--edited")  # the second line's check began with another first line
    assert code == 0, said
    assert "the same results" in said


def test_what_can_not_be_recorded_or_replayed_is_refused(
    night: tuple[Path, Path, list[Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(night[1], tmp_path / "links.txt")
    with pytest.raises(InputRefused, match=r"--record = .*is there already"):
        dry_run(DryRun(**PLAN, out=tmp_path / "x", record=tmp_path), lambda _: None)
    assert not (tmp_path / "x").exists()
    code, said = replay(capsys, tmp_path / "none.txt")
    assert code == 2
    assert "RECORDING" in said
    (tmp_path / "other.txt").write_text(json.dumps({"t_ns": 1}))
    code, said = replay(capsys, tmp_path / "other.txt")
    assert code == 2
    assert "no recording" in said
