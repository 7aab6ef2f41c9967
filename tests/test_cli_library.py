"""``vidseg library`` from the command line, on made-up cases and on Cataract-101."""

import json
import shutil
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy import stats

from synthetic_clips import make_clip
from synthetic_clips.case_series import PER_GRADE, SURGEONS, made_up_cases, write_cases
from vidseg.cli import main

CATARACT101 = Path(__file__).resolve().parents[2] / "shared" / "data" / "cataract101"
CAUTION = "Time is not skill"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many") / "demo"
    assert main(["demo", str(folder), "--library", "--quiet"]) == 0
    return folder


@pytest.fixture
def library(demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "own.sqlite"
    shutil.copyfile(demo / "library.vidseg.sqlite", path)
    monkeypatch.setenv("VIDSEG_LIBRARY", str(path))
    return path


def read(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, pd.DataFrame]:
    """Run a command with --json and give its tables."""
    capsys.readouterr()
    assert main(["library", *arguments, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert any(CAUTION in note for note in document.pop("notes", [CAUTION]))
    return {name: pd.DataFrame(rows) for name, rows in document.items()}


def test_demo_writes_a_library_that_follows_its_truth(
    library: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    listed = read(capsys, "list")["cases"]
    assert (listed["case"].nunique(), len(listed)) == (60, 72)
    assert listed["surgeon"].nunique() == len(SURGEONS) == 5
    assert listed["open_end"].sum() >= 5
    curves = read(capsys, "curve", "--annotator", "A", "--step", "capsulorhexis")["curves"]
    for surgeon in SURGEONS:
        row = curves[curves["series"] == surgeon.name].iloc[0]
        assert row["rate_low"] < 2**-surgeon.learning < row["rate_high"], surgeon.name
    assert curves.set_index("series")["rate_high"]["S4"] < 1
    compared = read(
        capsys,
        *("compare", "--by", "experience", "--annotator", "A", "--step", "fragment_removal"),
        *("--adjust", "nucleus_grade", "--adjust", "pupil_mm"),
    )
    terms = compared["terms"].set_index("term")
    grade = terms.loc["nucleus_grade, for each 1 more"]
    assert grade["ratio_low"] < PER_GRADE < grade["ratio_high"]
    assert compared["pairs"].iloc[0]["shift_high_s"] < 0


def test_the_demo_is_the_same_every_time(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_cases(tmp_path / name, made_up_cases())
    first, second = (
        {p.relative_to(tmp_path / name): p.read_bytes() for p in (tmp_path / name).rglob("*.csv")}
        for name in ("a", "b")
    )
    assert first == second
    assert len(first) == 60 + 12 + 2


def test_durations_against_pandas(library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Plain figures recomputed from the annotation files by pandas alone."""
    folder = Path(library).parent / "again"
    write_cases(folder, made_up_cases())
    rows = []
    for path in sorted((folder / "steps").glob("*.csv")):
        table = pd.read_csv(path)
        table = table[table["end"] != "open"].assign(case=path.stem)
        rows.append(table)
    marks = pd.concat(rows)
    marks["seconds"] = marks["end"].astype(float) - marks["start"].astype(float)
    totals = marks.groupby(["step", "case"])["seconds"].sum()
    shown = read(capsys, "durations", "--annotator", "A")["durations"].set_index("step")
    for step in ("capsulorhexis", "viscoelastic_injection", "fragment_removal"):
        times = totals[step]
        assert shown.loc[step, "cases"] == len(times)
        assert shown.loc[step, "mean_s"] == pytest.approx(times.mean())
        assert shown.loc[step, "sd_s"] == pytest.approx(times.std())
        assert shown.loc[step, "median_s"] == pytest.approx(times.median())
        assert shown.loc[step, "q3_s"] == pytest.approx(times.quantile(0.75))
    assert shown.loc["paracentesis", "missing"] == 60 - len(totals["paracentesis"])
    cut = shown.loc["wound_closure"]
    assert cut["censored"] > 0
    assert cut["km_median_s"] > cut["median_s"]


def test_agreement_of_the_two_annotators(library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables = read(capsys, "agree")
    pair = tables["pairs"].iloc[0]
    assert (pair["first"], pair["second"], pair["cases"]) == ("A", "B", 12)
    assert 0.9 < pair["kappa"] < 1
    assert pair["end_low_s"] < 0.2 < pair["end_high_s"]
    edges = tables["boundaries"]["agreement"].tolist()
    assert edges == sorted(edges)
    assert tables["together"].iloc[0]["fleiss"] == pytest.approx(pair["kappa"], abs=0.01)


def test_several_annotators_must_be_chosen_from(
    library: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["library", "durations"]) == 2
    assert "--annotator" in capsys.readouterr().err


@pytest.mark.parametrize(
    "command",
    [
        ["durations"],
        ["curve", "--step", "capsulorhexis"],
        ["compare", "--by", "experience"],
        ["agree"],
    ],
)
def test_every_output_carries_the_cautions(
    library: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    arguments = ["library", *command, *([] if command == ["agree"] else ["--annotator", "A"])]
    out = tmp_path / "out.xlsx"
    assert main([*arguments, "--out", str(out)]) == 0
    screen = capsys.readouterr().out
    for words in (CAUTION, "Small samples mislead", "Not for credentialing"):
        assert words in screen
    book = openpyxl.load_workbook(out)
    texts = [str(cell.value) for row in book["data-dictionary"].iter_rows() for cell in row]
    assert any("Not for credentialing" in text for text in texts)
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not any(cell.data_type == "f" for cell in cells)
    named = {
        (row[0].value, row[1].value): row[3].value
        for row in book["data-dictionary"].iter_rows(min_row=2)
    }
    for sheet in book.sheetnames[:-1]:
        for cell in book[sheet][1]:
            assert named[sheet, cell.value], (sheet, cell.value)
            assert "as the user named it" not in named[sheet, cell.value], (sheet, cell.value)


def test_too_few_is_said_plainly(library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--annotator", "A", "--surgeon", "S3", "--case-number", "1..3"]
    assert main(["library", "durations", *arguments]) == 0
    assert "too few: 3 cases, 6 needed" in capsys.readouterr().out
    assert main(["library", "curve", *arguments]) == 0
    assert "too few: " in capsys.readouterr().out


def test_charts(library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables = read(
        capsys,
        *("curve", "--annotator", "A", "--surgeon", "S3", "--step", "capsulorhexis"),
        *("--target", "1:00", "--fail-above", "90", "--reference", "experience=high"),
    )
    charts = tables["charts"]
    times = charts["time_s"].to_numpy()
    assert charts["failed"].tolist() == (times > 90).tolist()
    # Tabular CUSUM by hand: what lies above log(60 s), in deviations of 0.25, less 0.5.
    above = 0.0
    for time, shown in zip(times, charts["cusum_above"], strict=True):
        above = max(0.0, above + np.log(time / 60) / 0.25 - 0.5)
        assert shown == pytest.approx(above)
    cohort = read(
        capsys, "durations", "--annotator", "A", "--experience", "high", "--step", "capsulorhexis"
    )["durations"].iloc[0]
    assert (charts["band"] == 1).tolist() == (times > cohort["p90_s"]).tolist()


def test_export_gives_back_all_that_was_marked(library: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    assert main(["library", "export", "--out", str(out), "--quiet"]) == 0
    names = {path.stem for path in out.iterdir()}
    assert names == {"steps", "cases", "annotations", "visits", "events", "data-dictionary"}
    visits = pd.read_csv(out / "visits.csv", keep_default_na=False)
    case = made_up_cases()[0]
    own = visits[(visits["case"] == case.name) & (visits["annotator"] == "A")]
    assert own["start_s"].tolist() == [row[0] for row in case.rows]
    assert own["step"].tolist() == [row[2] for row in case.rows]
    steps = pd.read_csv(out / "steps.csv")
    assert len(steps.groupby(["case", "annotator"])) == 72
    dictionary = pd.read_csv(out / "data-dictionary.csv")
    for name in names - {"data-dictionary"}:
        columns = pd.read_csv(out / f"{name}.csv", nrows=0).columns
        assert dictionary[dictionary["table"] == name]["column"].tolist() == list(columns)


def test_output_folders_case_files_and_annotations(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One case by three doors gives the same times; the second and third change nothing."""
    clip, steps = tmp_path / "case.mp4", tmp_path / "steps.csv"
    make_clip(clip, frames=100)
    steps.write_text("start,end,step\n0.4,1.2,paracentesis\n1.6,2.4,rhexis\n", encoding="utf-8")
    toml = tmp_path / "case.toml"
    toml.write_text(
        'id = "one"\nrecording = "case.mp4"\nannotation = "steps.csv"\nsurgeon = "S1"\n'
        'case_number = 7\n[covariates]\nexperience = "low"\npupil_mm = 5.5\n',
        encoding="utf-8",
    )
    place = str(tmp_path / "own.sqlite")
    out = tmp_path / "out" / "one"
    (tmp_path / "out").mkdir()
    run = ["run", str(toml), "--out", str(out), "--quiet"]
    main(run)
    assert (out / "case.json").exists()
    add = ["library", "add", "--library", place]
    for source, outcome in (
        (str(out), "1 added"),
        (str(tmp_path / "out"), "1 unchanged"),
        (str(toml), "1 unchanged"),
    ):
        capsys.readouterr()
        assert main([*add, source]) == 0
        assert outcome in capsys.readouterr().err, source
    table = tmp_path / "cases.csv"
    table.write_text("annotation,case,frames,fps\nsteps.csv,one,100,25\n", encoding="utf-8")
    assert main([*add, str(steps), "--cases", str(table)]) == 0
    assert "1 unchanged" in capsys.readouterr().err
    assert main(["library", "list", "--library", place, "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["cases"]
    assert (row["surgeon"], row["experience"], row["case_number"]) == ("S1", "low", 7)
    assert row["observed_s"] == 4


def test_a_case_in_error_is_left_out_and_the_others_go_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, step in (("good", "capsulorhexis"), ("bad", "capsulorhexsis"), ("fine", "rhexis")):
        (tmp_path / f"{name}.csv").write_text(f"start,end,step\n1,9,{step}\n", encoding="utf-8")
    (tmp_path / "torn.csv").write_bytes(b"\x00\x01")
    sources = [str(tmp_path / f"{name}.csv") for name in ("good", "bad", "torn", "fine")]
    place = str(tmp_path / "own.sqlite")
    table = tmp_path / "cases.csv"
    table.write_text("case,length\ngood,10\nbad,10\ntorn,10\nfine,10\n", encoding="utf-8")
    assert main(["library", "add", *sources, "--library", place, "--cases", str(table)]) == 1
    told = capsys.readouterr().err
    assert "bad.csv: not added: 2 errors" in told
    assert "near-miss-step" in told
    assert "torn.csv: not added" in told
    assert "2 added, 2 not added" in told
    assert main(["library", "add", sources[0], "--library", place, "--length", "12"]) == 0
    assert "good (phaco): replaced what was there" in capsys.readouterr().err
    assert main(["library", "remove", "good", "fine", "--library", place]) == 0
    assert main(["library", "durations", "--library", place]) == 2
    assert "no case in the library" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["add", "absent.csv"], "no such file"),
        (["durations", "--date", "May"], "is not a date"),
        (["durations", "--case-number", "x..3"], "is not a case number"),
        (["durations", "--case-number", "9" * 5_000], "is not a case number"),
        (["durations", "--case-number", f"{2**63}.."], "is not a case number"),
        (["durations", "--covariate", "pupil"], "is not NAME=VALUE"),
        (["durations", "--step", "nonsense", "--annotator", "A"], "has no step 'nonsense'"),
        (["compare", "--by", "shoe_size", "--annotator", "A"], "no fact of the cases is named"),
        (["remove", "nobody"], "no case 'nobody'"),
        (["durations", "--annotator", "A", "--out", "x.ods"], ".csv, .parquet, .xlsx"),
        (["agree", "--surgeon", "S9"], "no case has two annotators"),
        (["duration"], "did you mean 'durations'"),
    ],
)
def test_requests_that_cannot_be_met(
    library: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert main(["library", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_there_is_no_library_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "none.sqlite"
    assert main(["library", "list", "--library", str(place)]) == 2
    assert "there is no library" in capsys.readouterr().err
    assert not place.exists()


# Figures of Cataract-101, recomputed apart from this project from its open annotations
# (Schoeffmann et al., MMSys 2018): visits, cases, mean, sd, median, q1, q3, min, max.
PHASES = {
    "incision": [104, 98, 24.14, 19.30, 16.82, 11.38, 26.94, 4.20, 115.36],
    "viscous_agent_injection": [232, 101, 30.79, 22.61, 23.84, 17.08, 38.52, 11.12, 183.76],
    "rhexis": [104, 101, 47.14, 35.89, 34.36, 24.44, 57.56, 16.40, 252.32],
    "hydrodissection": [101, 101, 33.12, 18.06, 27.48, 20.24, 39.80, 14.00, 98.32],
    "phacoemulsification": [104, 101, 150.18, 85.68, 121.32, 81.64, 211.20, 51.12, 486.60],
}


def test_cataract101_from_its_own_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if not CATARACT101.exists():
        pytest.skip("Cataract-101 does not lie beside the project")
    place = str(tmp_path / "cataract101.sqlite")
    add = [
        *("library", "add", str(CATARACT101 / "annotations.csv"), "--case-column", "VideoID"),
        *("--cases", str(CATARACT101 / "videos.csv"), "--procedure", "cataract101"),
        *("--library", place),
    ]
    assert main(add) == 0
    assert "101 added" in capsys.readouterr().err
    assert main(add) == 0
    assert "101 unchanged" in capsys.readouterr().err
    shown = read(capsys, "durations", "--library", place)["durations"].set_index("step")
    columns = ["visits", "cases", "mean_s", "sd_s", "median_s", "q1_s", "q3_s", "min_s", "max_s"]
    for step, figures in PHASES.items():
        found = shown.loc[[step], columns].astype(float).round(9).iloc[0].tolist()
        assert found == pytest.approx(figures, abs=0.00501), step
    assert shown.loc["incision", "missing"] == 3
    whole = shown.loc["whole case"]
    assert [whole[c] for c in ("mean_s", "sd_s", "median_s", "min_s", "max_s")] == pytest.approx(
        [500.244, 218.618, 409.24, 227.56, 1111.12], abs=0.0005
    )
    # Published: 1,263,116 frames, 25 a second.
    assert round(whole["total_s"] * 25) == 1_263_116
    tables = read(capsys, "compare", "--by", "experience", "--library", place)
    tests = tables["tests"].set_index("step")
    pairs = tables["pairs"].set_index("step")
    # Experience 1 is low, 2 is high in the data set.
    assert tests.loc["whole case", "statistic"] == 2517.0
    assert tests.loc["whole case", "p"] == pytest.approx(9.06e-18, rel=5e-4)
    assert pairs.loc["whole case", "shift_s"] == pytest.approx(352.56)
    by_hand = {"incision": 1821.5, "rhexis": 2422.0, "phacoemulsification": 2486.0}
    for step, statistic in by_hand.items():
        assert tests.loc[step, "statistic"] == statistic
    # The same times by SciPy from the exported table.
    out = tmp_path / "tables"
    assert main(["library", "export", "--out", str(out), "--library", place, "--quiet"]) == 0
    steps = pd.read_csv(out / "steps.csv").merge(pd.read_csv(out / "cases.csv"), on="case")
    own = steps[steps["step"] == "rhexis"]
    low, high = (own.loc[own["experience"] == level, "active_s"] for level in (1, 2))
    assert stats.mannwhitneyu(low, high).statistic == 2422.0
