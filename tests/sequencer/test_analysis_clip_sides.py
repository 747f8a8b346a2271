"""One-sided clips in closed form, and the crests of clipped, soft, limited and overloaded records."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from sequencer.analysis.clip_sides import clip_sides, clipped_or_limited
from sequencer.analysis.clipping import crest_flatness, crest_shape
from sequencer.analysis.hard_clip import hard_clip_overdrive_db
from sequencer.analysis.harmonics import fit_harmonics
from tests.sequencer.analysis_waves import Converter, Real, whole_cycles

# r, dc, a1, h2 %, h3 %, THD(F) % of a sine with its positive peaks cut at r: Fourier series in closed form.
ONE_SIDED = [
    (0.99, -0.000300, 0.999401, 0.0596, 0.0590, 0.2066),
    (0.95, -0.003364, 0.993340, 0.6504, 0.6179, 1.4305),
    (0.9, -0.009538, 0.981307, 1.7910, 1.6119, 3.2105),
    (0.8, -0.027120, 0.947956, 4.8353, 3.8682, 7.0552),
    (0.5, -0.108998, 0.804499, 17.1327, 8.5663, 19.4648),
    (0.0, -0.318310, 0.5, 42.4413, 0.0, 43.5236),
]


@pytest.mark.parametrize(("r", "dc", "a1", "h2", "h3", "thd"), ONE_SIDED)
def test_one_sided_clip(r: float, dc: float, a1: float, h2: float, h3: float, thd: float) -> None:
    """The table above from the samples; K = 999."""
    volts = whole_cycles(lambda a: np.minimum(np.sin(a), r), 1 << 14)
    fit = fit_harmonics(volts, np.arange(1 << 14) / (1 << 14), 1.0, 999)
    ratios = 100 * np.abs(fit.phasors) / fit.amplitude_v
    assert (fit.offset_v, fit.amplitude_v) == (pytest.approx(dc, abs=1e-6), pytest.approx(a1, abs=1e-6))
    assert [ratios[1], ratios[2], 100 * fit.thd_f] == pytest.approx([h2, h3, thd], abs=1.5e-4)


@pytest.mark.parametrize(("r", "thd_pct"), [(0.963040147, 1.0), (0.726454093, 10.0)])
def test_one_sided_clip_at_a_limit(r: float, thd_pct: float) -> None:
    """Roots of the closed form to nine digits."""
    volts = whole_cycles(lambda a: np.minimum(np.sin(a), r), 1 << 14)
    fit = fit_harmonics(volts, np.arange(1 << 14) / (1 << 14), 1.0, 999)
    assert 100 * fit.thd_f == pytest.approx(thd_pct, abs=2e-5)


def sides_of(wave: Real, seed: int = 1) -> tuple[str, bool, float]:
    t = np.arange(wave.size) / 1e6
    converter = Converter(12, 1.2, 0.3, seed)
    volts = converter(wave)
    fit = fit_harmonics(volts, t, 1000.0, 20)
    found = clip_sides(fit, crest_flatness(volts, t, fit, converter.step_v), 20.0, converter.step_v)
    return found.where, found.uneven, found.offset


@pytest.mark.parametrize(
    ("low", "high", "where", "uneven"),
    [
        (-2.0, 2.0, "none", False),
        (-0.95, 0.95, "both", False),
        (-2.0, 0.95, "positive", True),
        (-0.95, 2.0, "negative", True),
        (-0.9, 0.95, "both", True),
    ],
)
def test_sides(low: float, high: float, where: str, uneven: bool) -> None:
    """Truth: the side that was cut (definition); an even clip has odd harmonics only; the mean moves away from it."""
    wave = np.clip(np.sin(2 * np.pi * 1000.0 * np.arange(8000) / 1e6 + 0.4), low, high)
    seen, differs, offset = sides_of(wave)
    assert (seen, differs) == (where, uneven)
    if where in ("positive", "negative"):
        assert offset * (1 if where == "negative" else -1) == pytest.approx(0.003364 / 0.993340, abs=2e-4)


@pytest.mark.parametrize(
    ("wave", "loss_db", "cause"),
    [
        ("sine", 0.0, "neither"),
        ("sine", 1.5, "limited"),
        ("soft", 0.6, "limited"),
        ("hard", 1.12, "clipped"),
        ("hard", 0.05, "clipped"),
        ("one side", 0.05, "clipped"),
        ("half", 1.0, "can't tell"),
    ],
)
def test_clipped_or_limited(wave: str, loss_db: float, cause: str) -> None:
    """A limiter lowers the gain and leaves the crest round; a clip cuts it (definition)."""
    turn = 2 * np.pi * 1000.0 * np.arange(8000) / 1e6 + 0.4
    sine = np.sin(turn)
    waves = {
        "sine": sine,
        "soft": np.cos(turn) - 0.01 * np.cos(3 * turn),
        "hard": np.clip(sine, -0.9, 0.9),
        "one side": np.minimum(sine, 0.95),
        "half": np.clip(sine, -0.9935, 0.9935),
    }
    t = np.arange(8000) / 1e6
    converter = Converter(8 if wave == "half" else 12, 1.2, 0.3)
    volts = converter(waves[wave])
    fit = fit_harmonics(volts, t, 1000.0, 20)
    flatness = crest_flatness(volts, t, fit, converter.step_v)
    assert clipped_or_limited(clip_sides(fit, flatness, 9.0 if wave == "half" else 20.0, 0.0), loss_db) == cause


def ends(bits: int, volts: Real, full_scale: float, step: float) -> tuple[Real, bool]:
    """A converter that stops at its end codes, and whether any sample lies there."""
    low, high = -full_scale, full_scale - step
    cut = np.clip(volts, low, high)
    return cut, bool(((cut <= low) | (cut >= high)).any())


def hard(thd: float) -> float:
    return 10 ** (-hard_clip_overdrive_db(thd) / 20)


def test_too_few_codes_in_a_crest_tell_nothing() -> None:
    """8 bits at half fill, 100 samples a cycle: within 12 degrees the crest falls by 64 (1 - cos 12 degrees) = 1.4
    codes (arithmetic). Of 4,000 such crests with 1 % of soft third none is called flat."""
    random, converter = np.random.default_rng(71), Converter(8, 1.0, 0.3, seed=72)
    t = np.arange(100) / 1e5
    for _ in range(2000):
        turn = 2 * np.pi * 1000.0 * t + random.uniform(0, 6.3)
        volts = converter(0.5 * (np.cos(turn) - 0.01 * np.cos(3 * turn)))
        found = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20), converter.step_v)
        assert crest_shape(found.positive, found.positive_u, 20.0) != "flat"
        assert crest_shape(found.negative, found.negative_u, 20.0) != "flat"


@pytest.mark.parametrize(("bits", "per_cycle"), list(itertools.product((8, 12), (100, 1000))))
def test_grid_of_waves_and_fills(bits: int, per_cycle: int) -> None:
    """Fills of 0.5 to 1.2 of full scale. A record at an end code is void and so never called clipping; no sine and no
    1 % of soft third is flat; a 1 % clip is flat in 99 % where u <= 0.1, else can't tell. One cycle, 0.3 steps."""
    random, converter = np.random.default_rng(bits + per_cycle), Converter(bits, 1.0, 0.3, seed=bits)
    waves = {"sine": 0.0, "soft": 0.0, **{f"clip {pct}": pct / 100 for pct in (0.3, 0.5, 1.0, 3.0)}}
    seen: dict[str, list[str]] = {name: [] for name in waves}
    sharp: list[str] = []
    t = np.arange(per_cycle) / per_cycle / 1000.0
    for fill, _ in itertools.product(np.linspace(0.5, 1.2, 15), range(24)):
        for name, thd in waves.items():
            turn = 2 * np.pi * 1000.0 * t + random.uniform(0, 6.3)
            wave = np.cos(turn) - (0.01 * np.cos(3 * turn) if name == "soft" else 0.0)
            r = hard(thd) if thd else 2.0
            volts, over = ends(bits, converter(fill * np.clip(wave, -r, r) / min(r, 1.0)), 1.0, converter.step_v)
            if over:
                assert fill >= 0.9
                continue
            assert fill <= 1.05
            fit = fit_harmonics(volts, t, 1000.0, 20)
            found = crest_flatness(volts, t, fit, converter.step_v)
            shapes = [
                crest_shape(found.positive, found.positive_u, 20.0),
                crest_shape(found.negative, found.negative_u, 20.0),
            ]
            seen[name] += shapes
            if name == "clip 1.0" and max(found.positive_u, found.negative_u) <= 0.1:
                sharp += shapes
    assert all(len(shapes) > 300 for shapes in seen.values())
    for name in ("sine", "soft"):
        assert seen[name].count("flat") == 0, name
    assert seen["clip 1.0"].count("round") == 0
    assert seen["clip 3.0"].count("round") == 0
    if (bits, per_cycle) != (8, 100):
        assert len(sharp) > 100
    assert sharp.count("flat") >= 0.99 * len(sharp)


def test_an_overloaded_sine_would_look_clipped() -> None:
    """Why overload is told apart first: cut at the end codes at 1.2 of full scale, the samples alone look flat."""
    t = np.arange(1000) / 1e6
    converter = Converter(12, 1.0, 0.3)
    volts, over = ends(12, converter(1.2 * np.sin(2 * np.pi * 1000.0 * t)), 1.0, converter.step_v)
    fit = fit_harmonics(volts, t, 1000.0, 20)
    found = crest_flatness(volts, t, fit, converter.step_v)
    assert over
    assert crest_shape(found.positive, found.positive_u, 20.0) == "flat"
    assert math.isclose(found.positive, 0.0, abs_tol=0.05)
