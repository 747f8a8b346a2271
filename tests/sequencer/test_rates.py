"""A bench file that names a sample rate which its digitiser has not: refused by every command, before anything."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

import drivers
from sequencer.cli import main
from sequencer.errors import InputRefused
from sequencer.plan.load import load_bench
from sequencer.roles import fitted_dialects

SHIPPED = (resources.files("sequences") / "benches" / "workshop.toml").read_text(encoding="utf-8")
DIALECTS = Path(drivers.__file__).parent / "dialects"


def bench_of(folder: Path, rates: str | None, dialect: str = "digitiser-a", inputs: int = 3) -> str:
    """The shipped bench with these rates, `rates_hz` left out for None, and so many of its inputs wired."""
    text, count = re.subn(r"(?m)^rates_hz = .*\n", "" if rates is None else f"rates_hz = {rates}\n", SHIPPED)
    assert count == 1
    text = text.replace('dialect = "digitiser-a"', f'dialect = "{dialect}"').replace('"LIGHTSHIP,DS-4A,"', '""')
    if inputs == 2:
        text = text.replace('ch3 = "rail"\n', "").replace(
            "[input.ch3]\nfactor = 10.0\ngain_uncertainty_pct = 1.0\n", ""
        )
    path = folder / "deck.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    "words",
    [
        ["check", "first"],
        ["dry-run", "first", "--out", "tonight"],
        ["run", "first", "--out", "tonight", "--armed-by", "the workshop"],
        ["queue", "--ledger", "tonight", "add", "first"],
        ["serve", "--ledger", "tonight", "--armed-by", "the workshop", "--reference", "ferry_pa_60@1",
         "--reference-plan", "first", "--once"],
    ],
)  # fmt: skip
def test_every_command_refuses_it_with_file_key_value_and_remedy(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Page of digitiser-b: 1e5, 2.5e5, 5e5, 1e6, 2.5e6, rounded up, so that 2e5 would give other records."""
    monkeypatch.chdir(tmp_path)
    bench = bench_of(tmp_path, "[1e5, 2e5, 1e6]", "digitiser-b")
    units = [] if words[0] == "serve" else ["--unit", "ferry_pa_60"]
    units += ["--unproved-by", "the workshop"] if words[0] in ("run", "serve") else []
    assert main([*words, "--bench", bench, *units]) == 2
    told = capsys.readouterr()
    said = told.out + told.err
    assert "digitiser.rates_hz[1] = 200000: digitiser-b does not sample at that" in said
    assert bench in said
    assert "100000, 250000, 500000, 1e+06, 2.5e+06" in said
    assert not (tmp_path / "tonight" / "ledger.sqlite").exists()


def refused_keys(bench: str) -> list[tuple[str, str]]:
    try:
        fitted_dialects(load_bench(bench))
    except InputRefused as refused:
        return [(one.key, one.value) for one in refused.problems]
    return []


def test_inputs_that_are_on_together_count(tmp_path: Path) -> None:
    """Page of digitiser-a: 2e6 is there with at most two inputs on; and what is not said has a default."""
    assert refused_keys(bench_of(tmp_path, "[1e6, 2e6]", inputs=2)) == []
    assert refused_keys(bench_of(tmp_path, "[1e6, 2e6]")) == [("digitiser.rates_hz[1]", "2e+06")]
    assert refused_keys(bench_of(tmp_path, None, inputs=2)) == []
    (left_out,) = refused_keys(bench_of(tmp_path, None))
    assert left_out == ("digitiser.rates_hz[4]", "2e+06 (not said, so the default)")


def test_a_range_that_the_digitiser_has_not_is_refused_too(tmp_path: Path) -> None:
    """Page of digitiser-b: five divisions of 1-2-5 volts, so 4 V lies between two of its ranges; 5 V is one."""
    bench = bench_of(tmp_path, "[1e5, 1e6]", "digitiser-b")
    keys = refused_keys(bench)
    assert ("range[5].full_scale_v", "4") in keys
    assert len(keys) == 8
    text = Path(bench).read_text(encoding="utf-8")
    for own, other in (
        ("0.08", "0.1"),
        ("0.2", "0.25"),
        ("0.4", "0.5"),
        ("0.8", "1.0"),
        ("2.0", "2.5"),
        ("4.0", "5.0"),
    ):
        text = text.replace(f"full_scale_v = {own}\n", f"full_scale_v = {other}\n")
    text = text.replace("full_scale_v = 8.0\n", "full_scale_v = 10.0\n").replace(
        "full_scale_v = 20.0\n", "full_scale_v = 25.0\n"
    )
    Path(bench).write_text(text, encoding="utf-8")
    assert refused_keys(bench) == []


def test_a_dialect_that_names_no_rates_is_believed_and_rehearsed_at_the_benchs_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The front that stands in for it is ordered with them: 1.25e6 is on no page."""
    text = (DIALECTS / "digitiser-a.toml").read_text(encoding="utf-8")
    own = re.sub(r"(?m)^(rates_hz|shared_rate) = .*\n", "", text)
    (tmp_path / "mine.dialect.toml").write_text(own, encoding="utf-8")
    bench = bench_of(tmp_path, "[1.25e5, 1.25e6]", "mine.dialect.toml")
    assert main(["dry-run", "first", "--bench", bench, "--unit", "ferry_pa_60", "--out", str(tmp_path / "out")]) == 0
    assert "digitiser-a stands in for it" in capsys.readouterr().out
