"""``case.json`` read back: what is not one is told."""

import json
from pathlib import Path

import pytest

from vidseg.export.case_json import read_record
from vidseg.model.problem import FormatError
from vidseg.model.record import facts_from

ROW = {
    "step": "cut",
    "name": "First cut",
    "level": "step",
    "active_s": "9.000000001",
    "elapsed_s": "10.000",
    "interrupted_s": "0.999999999",
    "shared_s": "0.000",
    "first_start_s": "1.000",
    "last_end_s": "11.000",
    "open_start": 0,
    "open_end": 1,
}
DOCUMENT = {
    "case": "c1",
    "procedure": {"code": "made_up", "name": "Made up"},
    "annotator": "A",
    "surgeon": "S1",
    "role": "",
    "case_number": 4,
    "covariates": {"experience": "low", "complete": "false", "pupil_mm": "5.5", "date": "May"},
    "recording": {"recorded_s": [["0.000", "60.000"], ["70.000", "100.000"]]},
    "times": {"observed_s": "90.000", "excluded_s": "0.000"},
    "durations": [ROW],
    "segments": [
        {
            "step": "cut",
            "name": "First cut",
            "level": "step",
            "start_s": "1.000",
            "end_s": "11.000",
            "open_start": 0,
            "open_end": 1,
            "note": "a note stays behind",
        }
    ],
    "events": [{"event": "tear", "name": "Tear", "category": "complication", "at_s": "3.500"}],
    "problems": [{"severity": "error"}, {"severity": "note"}],
}


def test_everything_that_is_kept_comes_back_to_the_nanosecond(tmp_path: Path) -> None:
    path = tmp_path / "case.json"
    path.write_text(json.dumps(DOCUMENT), encoding="utf-8")
    record, errors = read_record(path)
    assert errors == 1
    (step,) = record.steps
    assert (step.active_ns, step.interrupted_ns) == (9_000_000_001, 999_999_999)
    assert (step.open_start, step.open_end, len(step.segments)) == (False, True, 1)
    assert record.recorded.length == 90_000_000_000
    assert record.annotation.events[0].at == 3_500_000_000
    assert record.annotation.segments[0].note == ""
    facts = record.facts
    assert (facts.surgeon, facts.case_number, facts.experience) == ("S1", 4, "low")
    assert facts.complete is False
    assert facts.covariates == (("pupil_mm", "5.5"), ("date", "May"))


def test_a_date_that_is_one_gets_its_place() -> None:
    assert facts_from("", "", None, {"date": "2031-05"}).date == "2031-05"


@pytest.mark.parametrize(
    "text", ["[]", "{}", '{"problems": []}', "{", json.dumps(DOCUMENT | {"durations": [{}]})]
)
def test_other_json_is_told(tmp_path: Path, text: str) -> None:
    path = tmp_path / "case.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FormatError, match=r"not a case\.json"):
        read_record(path)
