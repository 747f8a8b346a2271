"""A plan that asks a person to set the unit, and measures one gain."""

from __future__ import annotations

ASKS = """
format = 1
name = "asks"
rest = "quick"

[[stage]]
name = "set"
measurement = "gain"
loads = ["8R"]
frequencies_hz = [1000.0]
by_hand = "bass and treble to the middle"
"""
