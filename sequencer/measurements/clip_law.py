"""The hard clip's law as the search uses it: over-drive at a distortion, and the gain lost there."""

from __future__ import annotations

from sequencer.analysis.hard_clip import hard_clip_gain_loss_db, hard_clip_overdrive_db

LARGEST_RATIO = 0.45  # a square wave has 0.483


def overdrive_db(ratio: float) -> float:
    """Level in dB above the onset at which a symmetrical hard clip shows this THD ratio."""
    return float(hard_clip_overdrive_db(min(max(ratio, 0.0), LARGEST_RATIO)))


def gain_loss_db(ratio: float) -> float:
    """Loss of the fundamental's gain, dB, of a symmetrical hard clip at this THD ratio."""
    return float(hard_clip_gain_loss_db(min(max(ratio, 0.0), LARGEST_RATIO)))
