"""LC-CUSUM: scores as published, its limit against an independent reckoning."""

import numpy as np
import pytest

from vidseg.cohort.competence import lc_cusum, scores, simulated_limit


@pytest.mark.parametrize(
    ("acceptable", "margin", "passed"),
    [(0.10, 0.10, 0.117783), (0.05, 0.05, 0.054067), (0.02, 0.02, 0.020619)],
)
def test_scores(acceptable: float, margin: float, passed: float) -> None:
    # From the published formula (Biau and Porcher 2010): ln of the likelihood ratio.
    found = scores(acceptable, margin)
    assert found[0] == pytest.approx(passed, abs=5e-7)
    assert found[1] == pytest.approx(-0.693147, abs=5e-7)


def test_chart_by_hand() -> None:
    passed, failed = scores(0.1, 0.1)
    found = lc_cusum([0, 0, 1, 0, 0, 0, 0, 0, 0, 0], 0.1, 0.1, 0.8)
    assert found.sums[:4] == pytest.approx([passed, 2 * passed, 0, passed])
    assert failed < -2 * passed
    assert found.first == 9
    assert found.failures == 1
    assert lc_cusum([1, 1, 1], 0.1, 0.1, 0.5).first is None


def exceeded(rate: float, limit: float, cases: int) -> float:
    """Chance that the chart passes ``limit`` within ``cases``, by a chain over its heights.

    Heights that agree to 9 decimals are one state, so no case is simulated.
    """
    passed, failed = scores(0.1, 0.1)
    chances, gone = {0: 1.0}, 0.0
    for _ in range(cases):
        after: dict[int, float] = {}
        for height, chance in chances.items():
            for step, part in ((passed, 1 - rate), (failed, rate)):
                new = max(0.0, height / 1e9 + step)
                if new > limit:
                    gone += chance * part
                else:
                    key = round(new * 1e9)
                    after[key] = after.get(key, 0.0) + chance * part
        chances = after
    return gone


def test_limit_holds_its_false_alarms_by_exact_reckoning() -> None:
    found = simulated_limit(0.1, 0.1, cases=100, false_alarm=0.05, seed=1)
    exact = exceeded(0.2, found.limit, 100)
    error = np.sqrt(exact * (1 - exact) / found.runs)
    assert found.false_alarm <= 0.05
    assert found.false_alarm == pytest.approx(exact, abs=4 * error)
    power = exceeded(0.1, found.limit, 100)
    assert found.power == pytest.approx(power, abs=4 * np.sqrt(power * (1 - power) / found.runs))
    assert found.power > found.false_alarm
    # A limit just below is passed too often.
    assert exceeded(0.2, found.limit - 0.15, 100) > 0.05


def test_same_seed_same_limit() -> None:
    assert simulated_limit(0.1, 0.1, 50, runs=2000, seed=3) == (
        simulated_limit(0.1, 0.1, 50, runs=2000, seed=3)
    )
    longer = simulated_limit(0.1, 0.1, 200, runs=2000, seed=3)
    assert longer.limit > simulated_limit(0.1, 0.1, 50, runs=2000, seed=3).limit


def test_settings() -> None:
    with pytest.raises(ValueError, match="acceptable"):
        scores(0.9, 0.2)
    with pytest.raises(ValueError, match="false_alarm"):
        simulated_limit(0.1, 0.1, 0)
