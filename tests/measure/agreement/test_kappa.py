"""Kappa and alpha against published tables and independent libraries."""

import numpy as np
import pytest

from vidseg.measure.agreement.kappa import cohen_kappa, fleiss_kappa, krippendorff_alpha, ratings

# Fleiss' worked example as given in Wikipedia's "Fleiss' kappa": 10 subjects, 14 raters.
FLEISS = [
    [0, 0, 0, 0, 14],
    [0, 2, 6, 4, 2],
    [0, 0, 3, 5, 6],
    [0, 3, 9, 2, 0],
    [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0],
    [3, 2, 6, 3, 0],
    [2, 5, 3, 2, 2],
    [6, 5, 2, 1, 0],
    [0, 2, 2, 3, 7],
]
# Wikipedia, "Krippendorff's alpha": 3 coders, 15 units, * = not coded.
ALPHA_A = "* * * * * 3 4 1 2 1 1 3 3 * 3"
ALPHA_B = "1 * 2 1 3 3 4 3 * * * * * * *"
ALPHA_C = "* * 2 1 3 4 4 * 2 1 1 3 3 * 4"
# Krippendorff's four observers and twelve units (values as remembered; alpha published as .743).
FOUR = (
    "1 2 3 3 2 1 4 1 2 * * *",
    "1 2 3 3 2 2 4 1 2 5 * 3",
    "* 3 3 3 2 3 4 2 2 5 1 *",
    "1 2 3 3 2 4 4 1 2 5 1 *",
)


def coded(*rows: str) -> np.ndarray:
    return np.array([[-1 if cell == "*" else int(cell) for cell in row.split()] for row in rows])


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[20, 5], [10, 15]], 0.40),  # worked example: po .70, pe .50
        ([[45, 15], [25, 15]], 0.130435),  # the pair in Wikipedia's "Cohen's kappa"
        ([[25, 35], [5, 35]], 0.259259),
    ],
)
def test_cohen(table: list[list[int]], kappa: float) -> None:
    assert cohen_kappa(table) == pytest.approx(kappa, abs=5e-7)


def test_cohen_against_scikit_learn() -> None:
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is for tests only")
    random = np.random.default_rng(3)
    for _ in range(20):
        first, second = random.integers(0, 4, (2, 60))
        table = metrics.confusion_matrix(first, second, labels=range(4))
        expected = metrics.cohen_kappa_score(first, second)
        assert cohen_kappa(table) == pytest.approx(expected, abs=1e-12)


def test_kappa_is_undefined_where_one_label_is_all_there_is() -> None:
    assert np.isnan(cohen_kappa([[7]]))
    assert np.isnan(cohen_kappa(np.zeros((2, 2))))
    assert np.isnan(fleiss_kappa([[3, 0], [3, 0]]))
    assert np.isnan(krippendorff_alpha([[3, 0], [2, 0]]))


def test_fleiss() -> None:
    assert fleiss_kappa(FLEISS) == pytest.approx(0.20993070442195522, abs=1e-15)


def test_fleiss_against_statsmodels() -> None:
    from statsmodels.stats.inter_rater import aggregate_raters
    from statsmodels.stats.inter_rater import fleiss_kappa as independent

    random = np.random.default_rng(4)
    for _ in range(20):
        table, _ = aggregate_raters(random.integers(0, 5, (30, 6)))
        assert fleiss_kappa(table) == pytest.approx(independent(table), abs=1e-12)


def test_fleiss_needs_the_same_number_of_raters() -> None:
    with pytest.raises(ValueError, match="same number"):
        fleiss_kappa([[2, 1], [1, 1]])


@pytest.mark.parametrize(("rows", "alpha"), [((ALPHA_A, ALPHA_B, ALPHA_C), 0.6914), (FOUR, 0.7434)])
def test_krippendorff(rows: tuple[str, ...], alpha: float) -> None:
    assert krippendorff_alpha(ratings(coded(*rows), 6)) == pytest.approx(alpha, abs=5e-5)


def test_krippendorff_against_its_library() -> None:
    krippendorff = pytest.importorskip("krippendorff", reason="krippendorff is for tests only")
    random = np.random.default_rng(5)
    for _ in range(20):
        places = random.integers(-1, 4, (4, 40))
        data = np.where(places < 0, np.nan, places)
        expected = krippendorff.alpha(data, level_of_measurement="nominal")
        assert krippendorff_alpha(ratings(places, 4)) == pytest.approx(expected, abs=1e-12)


def test_weights_are_the_limit_of_fine_sampling() -> None:
    random = np.random.default_rng(6)
    counts = ratings(random.integers(0, 3, (3, 25)), 3)
    lengths = random.integers(1, 9, 25)
    for measure, tolerance in ((fleiss_kappa, 1e-12), (krippendorff_alpha, 1e-5)):
        sampled = measure(np.repeat(counts, lengths * 1000, axis=0))
        assert measure(counts, lengths) == pytest.approx(sampled, abs=tolerance)
