"""What weighs how much; seconds unless said otherwise. Tuned on invented narrations."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Settings:
    """Weights of the draft. Evidence and costs are in nats."""

    cap: float = 3.5
    crowd: float = 0.5
    saying: float = 2.2
    saying_floor: float = 0.15
    gain_cues: float = 26.0
    gain_most: float = 2.2
    now_from: float = -2.0
    now_to: float = 6.0
    ahead_from: float = 4.0
    ahead_to: float = 14.0
    before_from: float = 8.0
    before_to: float = 1.0
    lag_from: float = 12.0
    lag_to: float = 3.0
    lead_from: float = 4.0
    lead_to: float = 22.0
    spread: float = 0.5
    skip: float = 1.2
    skip_optional: float = 0.5
    again: float = 1.6
    early: float = 4.0
    gap_free: float = 14.0
    gap_each: float = 0.03
    gap_most: float = 1.5
    tight: float = 0.4
    length: float = 1.0
    enough: float = 0.55
    before_first: float = 0.0
    after_last: float = 8.0
    pause: float = 9.0
    stretch: float = 0.5
    again_length: float = 0.7
    at_least: float = 0.9
    lag_length: float = 0.8
    resumed: float = 1.2
