"""Control charts against the tables of NIST and of Montgomery and Runger."""

import numpy as np
import pytest

from vidseg.cohort.control import cusum, ewma

# NIST/SEMATECH e-Handbook 6.3.2.3, with target 325, k 0.3175, h 4.1959.
NIST = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
NIST_HIGH = [0, 0, 0, 0, 0.03, *[0] * 7, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, *[0] * 9]
# Montgomery and Runger, Applied Statistics and Probability for Engineers, example 16-6.
CONCENTRATION = [
    *(102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1),
    *(101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0),
]
HIGH = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1]
LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1, 2.3, 0, 0, 0.8, 0]
# NIST/SEMATECH e-Handbook 6.3.2.4, with weight 0.3, target 50, s 2.0539, width 3.
EWMA = [
    *(52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
EWMA_PRINTED = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]


def test_cusum_of_nist() -> None:
    found = cusum(NIST, 325, 0.3175, 4.1959)
    # Printed to two decimals, ties rounded either way.
    assert found.above == pytest.approx(NIST_HIGH, abs=0.00501)
    assert found.below == pytest.approx(NIST_LOW, abs=0.00501)
    assert found.above[-1] == pytest.approx(19.035)
    assert found.first == 13
    assert np.flatnonzero(found.signal_above).tolist() == list(range(13, 20))
    assert not found.signal_below.any()


def test_cusum_of_montgomery_and_runger() -> None:
    found = cusum(CONCENTRATION, 99, 1, 10)
    assert found.above == pytest.approx(HIGH, abs=1e-9)
    assert found.below == pytest.approx(LOW, abs=1e-9)
    assert found.first is None


def test_a_fall_signals_below() -> None:
    found = cusum([10, 10, 5, 5, 5], 10, 1, 7)
    assert found.below.tolist() == [0, 0, 4, 8, 12]
    assert found.first == 3
    assert not found.signal_above.any()


def test_ewma_of_nist() -> None:
    found = ewma(EWMA, 50, 2.0539, 0.3)
    assert found.averages == pytest.approx(EWMA_PRINTED, abs=0.00501)
    assert found.high == pytest.approx(52.5884, abs=5e-5)
    assert found.low == pytest.approx(47.41157, abs=5e-5)
    assert found.first is None


def test_exact_ewma_limits_are_the_averages_own_variance() -> None:
    found = ewma(np.zeros(4), 0, 1, 0.3, 3, settled=False)
    weights = [0.3 * 0.7 ** np.arange(n) for n in range(1, 5)]
    assert found.high == pytest.approx([3 * np.sqrt((w**2).sum()) for w in weights])
    assert ewma([0, 4], 0, 1, 0.5, 2, settled=False).first == 1


@pytest.mark.parametrize(("slack", "limit"), [(-1, 4), (0.5, 0)])
def test_cusum_settings(slack: float, limit: float) -> None:
    with pytest.raises(ValueError, match="slack"):
        cusum([1], 0, slack, limit)


@pytest.mark.parametrize(("weight", "sd"), [(0, 1), (1.5, 1), (0.2, 0)])
def test_ewma_settings(weight: float, sd: float) -> None:
    with pytest.raises(ValueError, match="weight"):
        ewma([1], 0, sd, weight)
