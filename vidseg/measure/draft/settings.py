"""What weighs how much; seconds unless said otherwise.

Tuned on invented narrations, each read by weights learned without it (``train_draft.py``).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DraftWeights:
    """Weights of the draft. Evidence and costs are in nats."""

    cap: float = 3.5
    crowd: float = 0.5
    saying: float = 2.2
    saying_floor: float = 0.15
    gain_cues: float = 21.0
    gain_most: float = 2.8
    now_from: float = -2.5
    now_to: float = 9.5
    ahead_from: float = 3.2
    ahead_to: float = 14.0
    before_from: float = 8.0
    before_to: float = 0.6
    lag_from: float = 13.0
    lag_to: float = 4.0
    lead_from: float = 5.0
    lead_to: float = 24.0
    spread: float = 0.45
    learned: float = 0.017
    share: float = 0.6
    most: float = 6.0
    clues: float = 0.4
    skip: float = 3.1
    skip_optional: float = 3.0
    again: float = 2.5
    beside: float = 3.0
    beside_clues: float = 1.0
    early: float = 4.0
    gap_free: float = 16.0
    gap_each: float = 0.037
    gap_most: float = 1.5
    tight: float = 0.24
    length: float = 1.0
    enough: float = 0.5
    pause: float = 14.0
    stretch: float = 0.4
    quickest: float = 0.4
    again_length: float = 0.5
    lag_length: float = 1.1
    resumed: float = 1.5
