"""The reference band and where cases lie to it."""

import numpy as np
import pytest

from vidseg.cohort.band import against_band, moving_share_within, reference_band


def test_band_is_type_7() -> None:
    # Hyndman and Fan 1996, type 7, on 1 .. 10 (twice, so that there are 20): numpy's default.
    found = reference_band(np.arange(1, 21))
    assert (found.low_s, found.median_s, found.high_s) == pytest.approx((2.9, 10.5, 18.1))


def test_cases_against_the_band() -> None:
    band = reference_band(np.arange(1, 21))
    assert against_band([1, 3, 10, band.high_s, 19], band).tolist() == [-1, 0, 0, 0, 1]
    share = moving_share_within([30, 10, 10, 30, 1], band, window=2)
    assert np.isnan(share[0])
    assert share[1:].tolist() == [0.5, 1, 0.5, 0.5]
    assert np.isnan(moving_share_within([1, 2], band, window=5)).all()


def test_small_reference_groups_give_no_band() -> None:
    band = reference_band(np.arange(19))
    assert band.reason == "too few: 19 cases, 20 needed"
    assert reference_band(np.arange(30), 5, 95).reason == "too few: 30 cases, 40 needed"
    with pytest.raises(ValueError, match="no band"):
        against_band([1], band)
    with pytest.raises(ValueError, match="low_percentile"):
        reference_band([1], 90, 10)
