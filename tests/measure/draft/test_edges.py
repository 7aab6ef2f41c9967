"""Draft edges and the picture: changes found on a drawn operation, moves bounded and said."""

from pathlib import Path

import pytest

from synthetic_clips import draw_operation, load_scenario
from vidseg.measure.draft import Draft, DraftRow
from vidseg.measure.draft.edges import REACH_NS, moved_to_changes, visual_changes
from vidseg.measure.draft.evidence import Telling
from vidseg.media.picture.survey import survey
from vidseg.media.read.probe import open_recording
from vidseg.model.clock import NS
from vidseg.model.procedure import Step
from vidseg.model.span import Span

pytestmark = pytest.mark.slow

CUT, SEW = Step("cut", "Cut"), Step("sew", "Sew")


def s(seconds: float) -> int:
    return round(seconds * NS)


def drafted(*rows: tuple[Step, float, float]) -> Draft:
    made = tuple(DraftRow(step, Span(s(a), s(b)), 0.8, ()) for step, a, b in rows)
    return Draft("t", (), made, (), (), (), Telling.LIVE, s(100))


def test_an_edge_goes_to_the_plainest_change_within_reach_and_says_so() -> None:
    changes = [(s(8), 3.0), (s(11), 9.0), (s(13.5), 50.0), (s(29), 4.0)]
    (row,) = moved_to_changes(drafted((CUT, 10, 30)), changes).rows
    assert row.span == Span(s(11), s(29))
    assert row.notes == (
        "start moved by +1.0 s to a visual change",
        "end moved by -1.0 s to a visual change",
    )


def test_nothing_near_moves_nothing() -> None:
    before = drafted((CUT, 10, 30), (SEW, 40, 50))
    assert moved_to_changes(before, [(s(20), 99.0)]) == before


def test_edges_do_not_pass_each_other() -> None:
    rows = moved_to_changes(
        drafted((CUT, 10, 11), (SEW, 11, 13)), [(s(10.9), 9.0), (s(12.8), 9.0), (s(10.2), 5.0)]
    ).rows
    assert rows[0].span.end <= rows[1].span.start
    for row in rows:
        assert row.span.length > 0


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("drawn") / "demo.mp4"
    draw_operation(load_scenario("demo"), path, audio=False, beside=False)
    return path


def test_changes_lie_near_the_edges_of_drawn_steps(demo: Path) -> None:
    """On drawn footage the edges are known: most have a change near, and chance gives fewer."""
    scenario = load_scenario("demo")
    recording = open_recording([demo])
    changes = [when for when, _ in visual_changes(survey(recording), recording)]
    edges = [edge for visit in scenario.steps for edge in (visit.start, visit.end)]
    near = sum(any(abs(when - edge) <= NS for when in changes) for edge in edges)
    shifted = [(edge + s(37.3)) % scenario.length for edge in edges]
    chance = sum(any(abs(when - edge) <= NS for when in changes) for edge in shifted)
    assert near > len(edges) / 2
    assert near > chance
    assert REACH_NS <= 5 * NS
