"""Numbers as people say them, and which quantity of the vocabulary a number belongs to."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vidseg.formats import read_captions
from vidseg.formats.vocabulary import load_procedure, parse_procedure, procedure_text
from vidseg.measure.draft import draft
from vidseg.measure.draft.measures import Measured, find_measures
from vidseg.measure.draft.numbers import find_numbers, tokens
from vidseg.model.annotation import Cue
from vidseg.model.clock import NS, format_time
from vidseg.model.problem import FormatError
from vidseg.model.span import Span

SHARED = Path(__file__).resolve().parents[4] / "shared" / "narration"
PHACO = load_procedure("phaco").quantities


def readings(text: str) -> list[float]:
    """The ways to read a text that is one number and nothing else."""
    said = tokens(text)
    (found,) = find_numbers(said)
    assert (found.first, found.last) == (0, len(said))
    return list(found.readings)


def measured(*lines: str, quantities: object = PHACO, step: str = "") -> tuple[Measured, ...]:
    """What is found in captions of five seconds each, one after another."""
    cues = [Cue(Span(n * 5 * NS, (n * 5 + 4) * NS), line) for n, line in enumerate(lines)]
    return find_measures(cues, quantities, dict.fromkeys(range(len(lines)), step))  # type: ignore[arg-type]


def rows(*lines: str, step: str = "") -> list[tuple[str, str, str]]:
    return [(m.quantity, m.value, m.unit) for m in measured(*lines, step=step)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("twenty-one", 21),  # the worked example of the package text2num
        ("one hundred and five", 105),  # the worked example of the package word2number
        ("hundred and five", 105),
        ("three hundred and eighty", 380),
        ("one fifty", 150),
        ("two point four", 2.4),
        ("zero point one", 0.1),
        ("point five", 0.5),
        ("twenty-one point five", 21.5),
        ("six and a half", 6.5),
        ("two thousand", 2000),
        ("21.5", 21.5),
        ("5,2", 5.2),
    ],
)
def test_numbers_in_words(text: str, value: float) -> None:
    assert readings(text) == pytest.approx([value])


def in_words(number: int) -> str:
    small = (
        *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"),
        *("eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen"),
        *("eighteen", "nineteen"),
    )
    tens = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
    if number < 20:
        return small[number]
    if number < 100:
        return tens[number // 10 - 2] + (f"-{small[number % 10]}" if number % 10 else "")
    rest = f" and {in_words(number % 100)}" if number % 100 else ""
    return f"{small[number // 100]} hundred{rest}"


@given(st.integers(0, 999))
def test_every_number_below_a_thousand(number: int) -> None:
    assert readings(in_words(number)) == [number]


@pytest.mark.parametrize(
    ("text", "ways"),
    [("twenty two nine", [22.9, 22]), ("22 5", [22.5, 22]), ("two four", [2.4, 2])],
)
def test_a_digit_right_behind_may_be_a_decimal(text: str, ways: list[float]) -> None:
    assert readings(text) == ways


@pytest.mark.parametrize("text", ["10⁶ cells", "four mm ² of it", "²", "½ a turn", "٣ ports"])
def test_signs_that_are_no_figures_do_no_harm(text: str) -> None:
    assert all(m.value for m in measured(f"the vacuum is {text}", text))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (
            "vacuum forty and the flow is twenty-two",
            [("vacuum", "40", "mmHg"), ("flow_rate", "22", "mL/min")],
        ),
        (
            "three fifty of vacuum, flow thirty five, bottle ninety",
            [
                ("vacuum", "350", "mmHg"),
                ("flow_rate", "35", "mL/min"),
                ("bottle_height", "90", "cm"),
            ],
        ),
        ("bottle up to hundred and ten", [("bottle_height", "110", "cm")]),
        ("the lens is plus 22.5", [("iol_power", "22.5", "D")]),
        ("the lens is twenty two five", [("iol_power", "22.5", "D")]),
        ("vision is 20/40", [("visual_acuity", "20/40", "snellen")]),
        ("her vision is six thirty six", [("visual_acuity", "6/36", "snellen")]),
        ("a twenty-seven gauge cannula", [("cannula_gauge", "27", "G")]),
        (
            "cefuroxime, one milligram in a tenth of a millilitre",
            [("drug_dose", "1", "mg"), ("drug_volume", "0.1", "mL")],
        ),
        ("the dye is zero point zero six percent", [("dye_concentration", "0.06", "%")]),
        ("the tunnel length is one point eight", [("tunnel_length", "1.8", "mm")]),
        ("target minus zero point five", [("target_refraction", "-0.5", "D")]),
        ("side port at two o'clock", []),
        ("four pieces and two hands", []),
        ("I turn it ninety degrees", []),
        ("the lens expires twenty twenty nine", []),
        ("she takes drops since eight years", []),
    ],
)
def test_measures_of_one_sentence(text: str, found: list[tuple[str, str, str]]) -> None:
    assert rows(text) == found


def test_a_number_may_go_on_in_the_next_caption() -> None:
    assert rows("the capsulorhexis is about five and a", "half, nice") == [
        ("rhexis_diameter", "5.5", "mm")
    ]


def test_the_step_at_hand_tells_what_a_bare_decimal_is() -> None:
    assert rows("five point two", step="capsulorhexis") == [("rhexis_diameter", "5.2", "mm")]
    assert rows("two point two", step="main_incision") == [("incision_width", "2.2", "mm")]
    assert rows("five point two") == []


def test_where_two_fit_the_quantity_is_not_known() -> None:
    assert rows("the paracentesis and the incision, two millimetres each") == [
        ("incision_width", "2", "mm")
    ]
    two = parse_procedure(
        procedure_text("blank")
        + '\n[[quantity]]\nname = "second_pressure"\nunits = ["mmHg"]\nspoken = ["pressure"]\n'
        "lowest = 1\nhighest = 30\n",
        "two.toml",
    )
    (found,) = measured("a pressure of twelve millimetres of mercury", quantities=two.quantities)
    assert (found.quantity, found.value, found.unit) == ("", "12", "mmHg")


def test_values_of_other_cases_and_suppositions_are_left_out() -> None:
    lines = [
        "last week the vacuum was five hundred",
        "if the vacuum is six hundred it collapses",
        "why not a vacuum of seven hundred?",
        "vacuum three hundred",
        "the bottle is maybe eighty",
    ]
    assert [value for _, value, _ in rows(*lines)] == ["300", "80"]


def test_si_values() -> None:
    # BIPM SI brochure: 1 mmHg = 133.322 Pa; 60 mL/min = 1e-6 m3/s.
    vacuum, flow = measured("vacuum one hundred, flow sixty")
    assert vacuum.si is not None
    assert flow.si is not None
    assert vacuum.si[0] == pytest.approx(13332.2387)
    assert vacuum.si[1] == "Pa"
    assert flow.si[0] == pytest.approx(1e-6)
    assert flow.si[1] == "m3/s"


def test_another_operation_has_quantities_of_its_own() -> None:
    lap = load_procedure("lap_chole").quantities
    (found,) = measured("gas on, pressure twelve", quantities=lap)
    assert (found.quantity, found.value, found.unit) == ("insufflation_pressure", "12", "mmHg")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('units = ["mmHg"]', 'units = ["bar"]', "'bar' is no unit known here"),
        ("highest = 25", "highest = 3", "must be above lowest"),
        ('steps = ["first_step"]', 'steps = ["opening_up"]', "'opening_up' is the code of no"),
        ('spoken = ["pressure", "pump"]', "spoken = []", "must not be empty"),
    ],
)
def test_a_quantity_that_cannot_be_is_told_with_its_line(old: str, new: str, says: str) -> None:
    text = procedure_text("blank")
    assert text.count(old) == 1
    with pytest.raises(FormatError, match=says) as caught:
        parse_procedure(text.replace(old, new), "own.toml")
    line = text[: text.index(old)].count("\n") + 1
    assert f"own.toml:{line}" in str(caught.value) or str(line) in str(caught.value)


def test_measures_of_a_shared_case() -> None:
    wanted = SHARED / "case01.measures.csv"
    if not wanted.exists():
        pytest.skip("shared/narration is not beside the project")
    with wanted.open(encoding="utf-8", newline="") as handle:
        truth = {tuple(row) for row in list(csv.reader(handle))[1:]}
    made = draft(read_captions(SHARED / "case01.vtt").cues, load_procedure("phaco"))
    steps = {cue: row.step.code for row in made.rows for cue in row.cues}
    found = {
        (format_time(m.at), m.quantity, m.value, m.unit)
        for m in find_measures(made.cues, PHACO, steps)
    }
    assert len(found & truth) >= 0.9 * len(truth)
    assert len(found - truth) <= 2
