"""Do the intervals hold what they promise? Simulated truth, 1,000 seeds; prints a table.

Run: ``python tests/bench/bench_coverage.py [SEEDS]``. With 1,000 seeds a true coverage of
0.95 shows as 0.936 to 0.964 nineteen times in twenty.
"""

import sys
from collections.abc import Callable

import numpy as np
import pandas as pd

from vidseg.cohort.adjust import adjust
from vidseg.cohort.bootstrap import median_interval
from vidseg.cohort.changes import level_changes
from vidseg.cohort.competence import lc_cusum, simulated_limit
from vidseg.cohort.estimate import Estimate
from vidseg.cohort.ranks import hodges_lehmann
from vidseg.cohort.survival import kaplan_meier, survival_quantile
from vidseg.cohort.trend import mann_kendall, power_law, theil_sen

Random = np.random.Generator


def holds(found: Estimate, truth: float) -> bool:
    return found.low <= truth <= found.high


def power(random: Random) -> bool:
    numbers = np.arange(1, 61)
    times = 300 * numbers**-0.25 * random.lognormal(0, 0.35, 60)
    return holds(power_law(numbers, times).exponent, -0.25)


def slope(random: Random) -> bool:
    numbers = np.arange(1, 41)
    return holds(theil_sen(numbers, 300 - 2 * numbers + random.gamma(2, 30, 40)).slope, -2)


def shift(sizes: tuple[int, int]) -> Callable[[Random], bool]:
    def one(random: Random) -> bool:
        a, b = random.gamma(2, 30, sizes[0]) + 25, random.gamma(2, 30, sizes[1])
        return holds(hodges_lehmann(a, b), 25)

    return one


def rounded_shift(random: Random) -> bool:
    """Times in whole seconds, so that many are tied."""
    a, b = np.round(random.gamma(2, 10, 60)) + 5, np.round(random.gamma(2, 10, 60))
    return holds(hodges_lehmann(a, b), 5)


def bootstrap(n: int) -> Callable[[Random], bool]:
    def one(random: Random) -> bool:
        return holds(median_interval(random.lognormal(4, 0.6, n)), float(np.exp(4)))

    return one


def survival(n: int) -> Callable[[Random], bool]:
    def one(random: Random) -> bool:
        true, stop = random.lognormal(4, 0.6, n), random.exponential(180, n)
        curve = kaplan_meier(np.minimum(true, stop), true <= stop)
        return holds(survival_quantile(curve, 0.5), float(np.exp(4)))

    return one


def naive_median(random: Random) -> bool:
    """The same data, cut-off times taken as complete: what Kaplan-Meier is for."""
    true, stop = random.lognormal(4, 0.6, 200), random.exponential(180, 200)
    return holds(median_interval(np.minimum(true, stop)), float(np.exp(4)))


def ratio(surgeons: int, *, between: bool) -> Callable[[Random], bool]:
    """A ratio of 1.3 that differs within surgeons, or from surgeon to surgeon."""

    def one(random: Random) -> bool:
        each = 20
        n = surgeons * each
        who = np.repeat(np.arange(surgeons), each)
        group = who % 2 if between else random.integers(0, 2, n)
        own = random.normal(0, 0.2, surgeons)[who]
        log = 4 + np.log(1.3) * group + own + random.normal(0, 0.3, n)
        names = [f"c{place}" for place in range(n)]
        cases = pd.DataFrame({"case": names, "surgeon": who.astype(str), "group": group * 1.0})
        steps = pd.DataFrame(
            {
                "case": names,
                "annotator": "",
                "procedure": "p",
                "step": "s",
                "name": "s",
                "level": "step",
                "segments": 1,
                "active_s": np.exp(log),
                "elapsed_s": np.exp(log),
                "interrupted_s": 0.0,
                "share": 0.0,
                "open_start": False,
                "open_end": False,
            }
        )
        term = adjust(steps, cases, ["group"]).terms.iloc[0]
        return bool(term["ratio_low"] <= 1.3 <= term["ratio_high"])

    return one


def trend_alarm(random: Random) -> bool:
    return mann_kendall(np.arange(30), random.gamma(2, 30, 30)).p < 0.05


def change_alarm(n: int) -> Callable[[Random], bool]:
    def one(random: Random) -> bool:
        found = level_changes(np.arange(1, n + 1), random.lognormal(4, 0.4, n))
        return len(found.stretches) > 1

    return one


LIMIT = simulated_limit(0.1, 0.1, cases=100).limit


def competence_alarm(random: Random) -> bool:
    return lc_cusum(random.random(100) < 0.2, 0.1, 0.1, LIMIT).first is not None


TRIALS: tuple[tuple[str, float, Callable[[Random], bool]], ...] = (
    ("power law: exponent, 60 cases", 0.95, power),
    ("Theil-Sen: slope, 40 cases, skewed", 0.95, slope),
    ("Hodges-Lehmann: 8 and 10 cases", 0.95, shift((8, 10))),
    ("Hodges-Lehmann: 60 and 80 cases", 0.95, shift((60, 80))),
    ("Hodges-Lehmann: 60 and 60, tied", 0.95, rounded_shift),
    ("bootstrap: median of 8 cases", 0.95, bootstrap(8)),
    ("bootstrap: median of 15 cases", 0.95, bootstrap(15)),
    ("bootstrap: median of 100 cases", 0.95, bootstrap(100)),
    ("Kaplan-Meier: median of 30, a third cut off", 0.95, survival(30)),
    ("Kaplan-Meier: median of 200, a third cut off", 0.95, survival(200)),
    ("plain median of the same 200 (must fail)", 0.95, naive_median),
    ("mixed model: within 8 surgeons", 0.95, ratio(8, between=False)),
    ("mixed model: within 3 surgeons", 0.95, ratio(3, between=False)),
    ("mixed model: between 20 surgeons", 0.95, ratio(20, between=True)),
    ("mixed model: between 8 surgeons", 0.95, ratio(8, between=True)),
    ("mixed model: between 4 surgeons", 0.95, ratio(4, between=True)),
    ("false alarm: Mann-Kendall, 30 cases", 0.05, trend_alarm),
    ("false alarm: LC-CUSUM, 100 inadequate", 0.05, competence_alarm),
    ("false alarm: change of level, 30 cases", 0.05, change_alarm(30)),
    ("false alarm: change of level, 100 cases", 0.05, change_alarm(100)),
    ("false alarm: change of level, 300 cases", 0.05, change_alarm(300)),
)


def main(seeds: int) -> None:
    print(f"{'what':48} {'promised':>9} {'found':>7}   ({seeds} seeds)")
    for name, promised, trial in TRIALS:
        share = np.mean([trial(np.random.default_rng([seed, 1])) for seed in range(seeds)])
        print(f"{name:48} {promised:9.2f} {share:7.3f}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000)
