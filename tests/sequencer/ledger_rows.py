"""Invented rows for the tests of ledger, messages and tables. All numbers are made up."""

from __future__ import annotations

from typing import Any

BEGUN = "2026-03-01T20:00:00.000+00:00"
LATER = "2026-03-01T21:30:00.000+00:00"


def head(run_id: str = "r01", serial: str = "FPA-0117") -> dict[str, Any]:
    return {
        "id": run_id,
        "plan": "first",
        "plan_sha256": "ab" * 32,
        "unit": {"serial": serial, "model": "Ferry PA 2x60"},
        "label": "as received",
        "bench": "workshop",
        "bench_sha256": "cd" * 32,
        "bay": "1",
        "seed": 1,
        "version": "0.1.0",
        "begun": BEGUN,
    }


def channel(name: str = "A", **more: Any) -> dict[str, Any]:
    return {
        "channel": name,
        "bridged": False,
        "load_ohm": 4.07,
        "output_vrms": 21.38,
        "crest_pos_v": 29.6,
        "crest_neg_v": -29.5,
        "offset_v": 0.011,
        "power_w": 112.31,
        "power_at_limit_w": 112.52,
        "power_at_limit_expanded_uncertainty_w": 2.44,
        "power_expanded_uncertainty_w": 2.41,
        "coverage_factor": 1.83,
        "coverage_pct": 95,
        "thd_pct": 0.97,
        "thd_floor_pct": 0.02,
        "cycle_rows": [
            {
                "number": 1,
                "rms_v": 21.4,
                "crest_pos_v": 29.7,
                "crest_neg_v": -29.4,
                "offset_v": 0.02,
                "thd_pct": 1.1,
            }
        ],
    } | more


def point(point_id: str = "p001", **more: Any) -> dict[str, Any]:
    return {
        "id": point_id,
        "measurement": "output_power",
        "load": "4R",
        "frequency_hz": 1000.0,
        "cycles": 20,
        "steady": False,
        "supply_nominal_v": 24.0,
        "channels_driven": ["A", "B"],
        "outcome": "measured",
        "reason": None,
        "stopped_by": "thd",
        "stopped_by_channel": "A",
        "stop_limit": 1.0,
        "level_vrms": 1.27,
        "channels": [channel("A"), channel("B", power_w=110.07)],
        "rails": [
            {
                "rail": "main",
                "at_unit_v": 24.1,
                "at_supply_v": 24.4,
                "amps": 15.2,
                "seen": "burst trace",
            }
        ],
        "shots": 9,
        "harmonics": 20,
        "band_hz": [20.0, 20000.0],
        "shot_table": [
            {
                "level_vrms": 0.2,
                "purpose": "ramp",
                "distortion_pct": 0.03,
                "floor_pct": 0.02,
                "output_vrms": {"A": 3.4, "B": 3.4},
            }
        ],
    } | more


def refused_point(point_id: str = "p002", reason: str = "rail not declared", **more: Any) -> dict[str, Any]:
    return point(
        point_id,
        **({"outcome": "not_measured", "reason": reason, "channels": [], "rails": [], "stopped_by": None} | more),
    )
