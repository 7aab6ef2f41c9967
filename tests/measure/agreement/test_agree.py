"""Two annotations of one case: exact on intervals, checked by hand and by sampling."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import aggregate_raters, fleiss_kappa

from vidseg.measure.agreement.agree import agree, agree_all
from vidseg.measure.agreement.pooled import limits, pool
from vidseg.measure.agreement.timeline import Timeline, joint, step_spans, timeline
from vidseg.model.annotation import Annotation, Segment
from vidseg.model.clock import NS
from vidseg.model.procedure import Kind, Step
from vidseg.model.span import Span, Spans

CUT, SEW, WASH = Step("cut", "Cut"), Step("sew", "Sew"), Step("wash", "Wash")
PAUSE = Step("pause", "Pause", Kind.EXCLUDED)
# Bland and Altman, Lancet 1986, table: peak expiratory flow by two meters, first readings.
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)
ROWS = st.lists(
    st.tuples(st.sampled_from([CUT, SEW, WASH]), st.integers(0, 80), st.integers(1, 30)),
    max_size=8,
)


def annotation(
    *rows: tuple[Step, float, float], who: str = "", excluded: tuple[tuple[float, float], ...] = ()
) -> Annotation:
    return Annotation(
        "case-1",
        "test",
        annotator=who,
        segments=tuple(
            Segment(step, Span(int(start * NS), int(end * NS))) for step, start, end in rows
        ),
        excluded=tuple(Segment(PAUSE, Span(int(a * NS), int(b * NS))) for a, b in excluded),
    )


def seconds(start: float, end: float) -> Spans:
    return Spans([Span(int(start * NS), int(end * NS))])


def test_by_hand() -> None:
    first = annotation((CUT, 0, 10), (SEW, 10, 20), who="A")
    second = annotation((CUT, 1, 12), (SEW, 12, 20), who="B")
    found = agree(first, second, seconds(0, 20))
    # Alike: cut 1-10, sew 12-20 = 17 of 20 s. First has 10, 10; second 1 of none, 11, 8.
    assert found.accuracy == 0.85
    assert found.kappa == pytest.approx((0.85 - 0.475) / (1 - 0.475))
    assert found.edit == 100
    assert [h.f1 for _, h in found.hits] == [100, 100, 100]
    cut, sew = found.steps
    assert cut.dice == 2 * 9 / 21
    assert sew.dice == 2 * 8 / 18
    assert (cut.start_ns, cut.end_ns, cut.active_ns) == (NS, 2 * NS, NS)
    assert (sew.start_ns, sew.end_ns, sew.active_ns) == (2 * NS, 0, -2 * NS)
    assert [b.matched for b in found.boundaries[:2]] == [2, 4]


def test_excluded_time_is_closed_up_and_a_hole_moves_no_boundary() -> None:
    first = annotation((CUT, 0, 30), (SEW, 30, 40), excluded=((10, 20),))
    second = annotation((CUT, 0, 32), (SEW, 32, 40))
    found = agree(first, second, seconds(0, 40))
    assert found.observed_ns == 30 * NS
    assert found.accuracy == pytest.approx(28 / 30)
    assert found.steps[0].end_ns == 2 * NS
    assert len(found.labels) == 2


def test_what_either_excludes_is_taken_off() -> None:
    plain, pause = annotation((CUT, 0, 30)), annotation((CUT, 0, 30), excluded=((5, 15),))
    for pair in ((plain, pause), (pause, plain)):
        assert agree(*pair, seconds(0, 30)).observed_ns == 20 * NS
    assert agree_all([plain, pause], seconds(0, 30)).observed_ns == 20 * NS


def test_several_holes_are_closed_up() -> None:
    observed = Spans(Span(a * NS, b * NS) for a, b in ((5, 10), (20, 25), (40, 50)))
    found = step_spans(annotation((CUT, 8, 22), (SEW, 22, 45)), Kind.STEP, observed)
    assert found == {
        "cut": Spans([Span(3 * NS, 7 * NS)]),
        "sew": Spans([Span(7 * NS, 15 * NS)]),
    }


def test_an_edge_not_seen_gives_no_difference() -> None:
    open_end = Annotation(
        "c", "t", segments=(Segment(CUT, Span(0, 5 * NS), open_end=True),), annotator="A"
    )
    found = agree(open_end, annotation((CUT, 0, 4)), seconds(0, 5))
    assert found.steps[0].start_ns == 0
    assert found.steps[0].end_ns is None


def test_a_step_only_one_annotator_has() -> None:
    found = agree(annotation((CUT, 0, 5)), annotation((SEW, 0, 5)), seconds(0, 5))
    assert [step.active_ns for step in found.steps] == [None, None]
    assert [step.dice for step in found.steps] == [0, 0]
    assert found.accuracy == 0


def test_limits_of_agreement_published() -> None:
    # Published: mean difference -2.1, sd 38.8 l/min (large minus mini).
    found = limits((a - b) * NS for a, b in zip(WRIGHT, MINI, strict=True))
    assert round(found.bias_s, 1) == -2.1
    assert round(found.sd_s, 1) == 38.8
    assert found.low_s == pytest.approx(found.bias_s - 1.96 * found.sd_s)


def test_too_few_differences_say_so() -> None:
    found = limits([NS, 2 * NS, None, NS])
    assert found.n == 3
    assert np.isnan(found.bias_s)
    assert found.reason == "too few: 3 differences, 5 needed"


@given(ROWS, ROWS, st.tuples(st.integers(0, 90), st.integers(1, 40)))
def test_against_sampling_each_second(
    a: list[tuple[Step, int, int]], b: list[tuple[Step, int, int]], pause: tuple[int, int]
) -> None:
    sides = [
        annotation(*[(s, start, start + n) for s, start, n in rows], excluded=out)
        for rows, out in ((a, ((pause[0], sum(pause)),)), (b, ()))
    ]
    found = agree(sides[0], sides[1], seconds(0, 120))
    seen = [t for t in range(120) if not pause[0] <= t < sum(pause)]

    def at(rows: list[tuple[Step, int, int]], t: int) -> str:
        return "+".join(sorted({s.code for s, start, n in rows if start <= t < start + n}))

    first, second = [at(a, t) for t in seen], [at(b, t) for t in seen]
    same = sum(x == y for x, y in zip(first, second, strict=True))
    assert found.accuracy == pytest.approx(same / len(seen))
    metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is for tests only")
    if len({*first, *second}) > 1:
        expected = metrics.cohen_kappa_score(first, second)
        assert found.kappa == pytest.approx(expected, abs=1e-9)
    for step in found.steps:
        one = {t for t in seen if step.step in at(a, t).split("+")}
        two = {t for t in seen if step.step in at(b, t).split("+")}
        assert step.shared_ns == len(one & two) * NS
        assert (step.first_ns, step.second_ns) == (len(one) * NS, len(two) * NS)


def test_pooling_sums_or_averages() -> None:
    one = agree(annotation((CUT, 0, 10)), annotation((CUT, 0, 10)), seconds(0, 10))
    two = agree(
        annotation((CUT, 0, 30), (SEW, 30, 90)),
        annotation((CUT, 0, 60), (SEW, 60, 90)),
        seconds(0, 90),
    )
    both = pool([one, two])
    assert both.cases == 2
    assert both.accuracy_pooled == pytest.approx(70 / 100)
    cut = both.steps[0]
    assert cut.dice_pooled == pytest.approx(2 * 40 / 110)
    assert cut.dice_mean == pytest.approx((1 + 2 * 30 / 90) / 2)
    # At 50 %: one case 1 of 1; the other 2 hits of 2 (30/60 and 30/60): 3 of 3 runs.
    assert dict(both.f1_pooled)[50] == 100
    three = agree(annotation((CUT, 0, 10)), annotation((SEW, 0, 10)), seconds(0, 10))
    all_three = pool([one, two, three])
    assert dict(all_three.f1_pooled)[50] == pytest.approx(200 * 3 / (2 * 3 + 1 + 1))
    # The mean over cases: edit scores of 100, 100 and, all labels other, 0.
    assert all_three.edit_mean == pytest.approx(200 / 3)
    assert all_three.start.reason


def test_more_than_two_annotators_against_sampling() -> None:
    three = [
        annotation((CUT, 0, 10), (SEW, 12, 30)),
        annotation((CUT, 1, 11), (SEW, 12, 28)),
        annotation((CUT, 0, 12), (SEW, 14, 30)),
    ]
    found = agree_all(three, seconds(0, 30))
    rows = [
        [next((s.step.code for s in one.segments if s.span.holds(t * NS)), "") for one in three]
        for t in range(30)
    ]
    table, _ = aggregate_raters(np.array(rows))
    assert found.fleiss == pytest.approx(fleiss_kappa(table), abs=1e-12)
    # With the same number of raters throughout, alpha tends to Fleiss' kappa as units multiply.
    assert found.alpha == pytest.approx(found.fleiss, abs=1e-12)


def test_timeline_guards() -> None:
    with pytest.raises(ValueError, match="lies outside"):
        timeline({"cut": Spans([Span(0, 5)])}, 4)
    with pytest.raises(ValueError, match="same length"):
        joint([Timeline.of([("a", 3)]), Timeline.of([("a", 4)])])
    with pytest.raises(ValueError, match="below zero"):
        Timeline.of([("a", -1)])
    with pytest.raises(ValueError, match="nothing to pool"):
        pool([])
    with pytest.raises(ValueError, match="two annotations"):
        agree_all([annotation()], seconds(0, 1))


def test_only_the_level_asked_for() -> None:
    phase = Step("open", "Open", Kind.PHASE)
    one = annotation((phase, 0, 20), (CUT, 0, 10))
    assert list(step_spans(one, Kind.STEP, seconds(0, 20))) == ["cut"]
    assert list(step_spans(one, Kind.PHASE, seconds(0, 20))) == ["open"]
