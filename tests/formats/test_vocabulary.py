import csv
import pickle
import tomllib
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest

from vidseg.formats.own_toml import find_line
from vidseg.formats.vocabulary import (
    builtin_codes,
    load_procedure,
    parse_procedure,
    procedure_text,
    read_procedure,
)
from vidseg.model.clock import NS
from vidseg.model.problem import FormatError
from vidseg.model.procedure import LEVELS, Kind, Procedure

CODES = ("blank", "cataract101", "lap_chole", "msics", "phaco")
CLINICAL = ("lap_chole", "msics", "phaco")
CATARACT101 = Path(__file__).parents[3] / "shared" / "data" / "cataract101"


def codes_of(procedure: Procedure, labels: dict[str, list[str]]) -> None:
    """Assert that each label is known and stands for the expected code."""
    found = {
        label: step.code if (step := procedure.find(label)) else None
        for names in labels.values()
        for label in names
    }
    assert found == {label: code for code, names in labels.items() for label in names}


# --- built-in files ------------------------------------------------------------------------


def test_the_built_in_vocabularies_are_these() -> None:
    assert builtin_codes() == CODES


@pytest.mark.parametrize("code", CODES)
def test_a_built_in_vocabulary_bears_its_code_and_names_its_source(code: str) -> None:
    procedure = load_procedure(code)
    assert procedure.code == code
    assert procedure.source
    assert procedure.version
    assert [step.code for step in procedure.steps] == [
        table["code"] for table in tomllib.loads(procedure_text(code))["steps"]
    ]


@pytest.mark.parametrize("code", CLINICAL)
def test_every_label_says_when_it_starts_and_every_event_has_its_sort(code: str) -> None:
    procedure = load_procedure(code)
    assert [step.code for step in procedure.steps if not step.definition.endswith(".")] == []
    events = [step for step in procedure.steps if step.kind is Kind.EVENT]
    assert {step.category for step in events} == {
        "complication",
        "finding",
        "medication",
        "instrument",
    }
    assert [step.code for step in procedure.steps if step.timed and step.longest_ns is None] == []
    kinds = {step.kind for step in procedure.steps}
    assert kinds == {Kind.PHASE, Kind.STEP, Kind.EVENT, Kind.EXCLUDED}


@pytest.mark.parametrize("name", ["PHACO", "Lap-Chole", "lap chole", "Cataract-101"])
def test_built_in_codes_are_found_however_written(name: str) -> None:
    assert load_procedure(name).code in CODES


@pytest.mark.parametrize("code", CODES)
def test_the_text_of_a_built_in_loads_as_a_file_of_ones_own(code: str, tmp_path: Path) -> None:
    own = tmp_path / "my own.toml"
    own.write_text(procedure_text(code), encoding="utf-8")
    assert load_procedure(str(own)) == load_procedure(code)


def test_blank_explains_every_key_of_the_schema() -> None:
    text = procedure_text("blank")
    table = tomllib.loads(text)
    keys = set(table) - {"steps", "quantity"} | set(table["steps"][1]) | set(table["quantity"][0])
    assert keys == {
        *("code", "name", "version", "source", "idle", "kind", "aliases", "parent", "after"),
        *("required", "repeats", "overlaps", "shortest", "longest", "definition"),
        *("course", "usual", "spoken"),
        *("units", "lowest", "highest", "bare", "steps"),
    }
    explained = {key for key in (*keys, "category") if f"\n# {key}" in text}
    assert explained == {*keys, "category"} - {"longest", "highest"}
    assert "\n# shortest, longest:" in text
    assert "\n# lowest, highest:" in text


@pytest.mark.parametrize("code", CODES)
def test_a_vocabulary_survives_the_way_to_another_process(code: str) -> None:
    procedure = load_procedure(code)
    again = pickle.loads(pickle.dumps(procedure))
    assert again == procedure
    label = procedure.steps[-1].name.upper()
    assert again.find(label) == procedure.steps[-1]


# --- published label lists -----------------------------------------------------------------


def test_published_phaco_label_lists_are_read() -> None:
    codes_of(
        load_procedure("phaco"),
        {
            # Label lists as stored with each data set: Cataract-101 (phases.csv, the
            # misspelling of its fifth label included), Cataract-1K and Cataract-LMM (README),
            # CATARACTS-2020 (both spellings of its sixth and eighteenth label).
            "main_incision": ["Incision"],
            "viscoelastic_injection": [
                "Viscous agent injection", "Viscoelastic", "Viscodilatation",
            ],
            "capsulorhexis": ["Rhexis", "Capsulorhexis"],
            "hydrodissection": ["Hydrodissection", "Hydrodissetion"],
            "nucleus_division": ["Nucleus Breaking"],
            "fragment_removal": ["Phacoemulsificiation", "Phacoemulsification"],
            "cortex_removal": [
                "Irrigation and aspiration", "Irrigation-Aspiration", "Irrigation/Aspiration",
                "Manual Aspiration",
            ],
            "capsule_polishing": ["Capsule polishing", "Capsule Polishing"],
            "iol_preparation": ["Preparing Implant"],
            "iol_insertion": [
                "Lens implant setting-up", "Lens Implantation", "Lens Positioning",
                "Implantation", "Positioning",
            ],
            "viscoelastic_removal": [
                "Viscous agent removal", "Viscoelastic-Suction", "Viscoelastic Suction",
                "Anterior-Chamber Flushing", "Anterior Chamber Flushing", "OVD Aspiration",
            ],
            "wound_closure": [
                "Tonifying and antibiotics", "Tonifying/Antibiotics", "Tonifying-Antibiotics",
                "Sealing Control", "Wound Hydration", "Wound Hydratation", "Suturing",
            ],
            "toric_marking": ["Toric Marking"],
            "iol_removal": ["Implant Ejection"],
            "anterior_vitrectomy": ["Vitrectomy"],
        },
    )  # fmt: skip
    assert load_procedure("phaco").is_idle("Idle")


def test_what_phaco_surgeons_say_is_read() -> None:
    # Spoken synonyms of the trade, from memory; the steps timed by Rali et al., J Cataract
    # Refract Surg 2022;48:44-50 (incisions … closure).
    codes_of(
        load_procedure("phaco"),
        {
            "paracentesis": ["side port", "sideport incision", "Side-ports", "stab", "para"],
            "main_incision": [
                "incisions", "clear corneal incision", "CCI", "keratome", "main wound",
                "phaco wound", "corneal entry",
            ],
            "capsule_staining": ["trypan", "Trypan Blue", "dye"],
            "viscoelastic_injection": [
                "OVD", "visco", "viscous agent", "cohesive", "dispersive", "fill the chamber",
            ],
            "capsulorhexis": ["CCC", "rhexis", "capsulorrhexis", "capsulotomy", "tear"],
            "hydrodissection": [
                "hydro", "fluid wave", "hydroprocedure", "hydrodelineation", "hydrodelamination",
            ],
            "nucleus_division": [
                "nucleus disassembly", "sculpt", "groove", "trench", "crack",
                "divide and conquer", "stop-and-chop", "chop", "prechop", "nucleofractis",
            ],
            "fragment_removal": [
                "phaco", "quadrant removal", "segment removal", "epinucleus removal",
            ],
            "cortex_removal": [
                "I/A", "irrigation-aspiration", "cortical clean-up", "cortical cleanup",
                "cortical wash", "Simcoe", "bimanual",
            ],
            "capsule_polishing": ["polish", "PC polish", "vacuum polish"],
            "iol_insertion": [
                "IOL insertion", "lens in", "injector", "implant", "dialling", "dialing",
                "haptics", "toric alignment", "centration",
            ],
            "viscoelastic_removal": [
                "visco out", "visco wash", "OVD wash", "OVD aspiration", "go behind the lens",
            ],
            "wound_closure": [
                "closure", "stromal hydration", "wound hydration", "tonifying", "seal check",
                "Seidel", "suture",
            ],
            "anterior_vitrectomy": ["anterior vitrectomy"],
            "intracameral_antibiotic": ["intracameral cefuroxime", "moxifloxacin", "antibiotic"],
            "posterior_capsule_rupture": ["PCR"],
            "vitreous_loss": ["vitreous loss"],
            "anterior_capsule_tear": ["Argentinian flag"],
        },
    )  # fmt: skip


def test_published_msics_label_lists_are_read() -> None:
    codes_of(
        load_procedure("msics"),
        {
            # The 18 phases and the background class of the SICS-155 challenge (its public
            # page), and single-step items of the ICO-OSCAR SICS rubric.
            "conjunctival_peritomy": ["peritomy"],
            "cautery": ["cautery", "Cauterization"],
            "scleral_tunnel": ["scleral_groove", "incision", "tunnel", "Sclerocorneal Tunnel"],
            "paracentesis": ["sideport"],
            "chamber_wash": ["AB_injection_and_wash"],
            "viscoelastic_injection": ["OVD_injection"],
            "capsulorhexis": ["capsulorrhexis"],
            "main_incision": ["main_incision_entry", "Corneal Entry"],
            "hydrodissection": ["hydroprocedure"],
            "nucleus_rotation": ["nucleus_prolapse"],
            "nucleus_delivery": ["nucleus_delivery", "Nucleus Extraction"],
            "cortex_removal": ["cortical_wash"],
            "iol_insertion": ["OVD_IOL_insertion"],
            "viscoelastic_removal": ["OVD_wash"],
            "wound_closure": ["stromal_hydration", "tunnel_suture"],
            "draping": ["Draping"],
            # Spoken in the trade, from memory.
            "bridle_suture": ["SR_bridle_suture", "superior rectus bridle suture"],
        },
    )
    codes_of(
        load_procedure("msics"),
        {
            # Spoken in the trade, from memory.
            "cautery": ["wet-field cautery", "diathermy"],
            "scleral_tunnel": ["scleral groove", "frown incision", "crescent"],
            "nucleus_delivery": [
                "vectis", "fish-hook", "sandwich technique", "phacosection", "Blumenthal",
            ],
        },
    )  # fmt: skip
    assert load_procedure("msics").is_idle("background")


def test_published_cholecystectomy_phases_are_read() -> None:
    procedure = load_procedure("lap_chole")
    # Cholec80 phase files (tab separated, phase by name) and TrocarPlacement of M2CAI16.
    codes_of(
        procedure,
        {
            "trocar_placement": ["TrocarPlacement"],
            "preparation": ["Preparation"],
            "calot_triangle_dissection": ["CalotTriangleDissection"],
            "clipping_and_cutting": ["ClippingCutting"],
            "gallbladder_dissection": ["GallbladderDissection"],
            "gallbladder_packaging": ["GallbladderPackaging"],
            "cleaning_and_coagulation": ["CleaningCoagulation"],
            "gallbladder_retraction": ["GallbladderRetraction"],
        },
    )
    # Mean lengths of the seven phases in Cholec80, from memory, in the order of its numbers.
    means_s = {
        "preparation": 125,
        "calot_triangle_dissection": 954,
        "clipping_and_cutting": 168,
        "gallbladder_dissection": 857,
        "gallbladder_packaging": 98,
        "cleaning_and_coagulation": 178,
        "gallbladder_retraction": 83,
    }
    assert outside_bounds(procedure, {code: (s, s) for code, s in means_s.items()}) == {}


def test_british_and_american_spellings_mean_the_same() -> None:
    pairs = [
        ("phaco", "haemorrhage", "hemorrhage"),
        ("phaco", "hyphaema", "hyphema"),
        ("phaco", "intracameral anaesthetic", "intracameral anesthetic"),
        ("phaco", "IOL dialling", "IOL dialing"),
        ("phaco", "adrenaline", "epinephrine"),
        ("phaco", "lignocaine", "lidocaine"),
        ("phaco", "poor dilatation", "poor dilation"),
        ("msics", "cauterisation", "cauterization"),
        ("msics", "suprachoroidal haemorrhage", "suprachoroidal hemorrhage"),
        ("lap_chole", "haemostasis", "hemostasis"),
        ("lap_chole", "gall bladder dissection", "gallbladder dissection"),
        ("lap_chole", "haemostatic agent", "hemostatic agent"),
    ]
    for code, british, american in pairs:
        procedure = load_procedure(code)
        assert procedure.find(british) is not None, british
        assert procedure.find(british) is procedure.find(american), american


# --- published lengths ---------------------------------------------------------------------

# Cataract-101, recomputed from its annotations.csv and videos.csv (25 frames/s): shortest and
# longest total of each phase in one case, in seconds.
CASE_TOTALS_S = {
    "1": ("Incision", "4.20", "115.36"),
    "2": ("Viscous agent injection", "11.12", "183.76"),
    "3": ("Rhexis", "16.40", "252.32"),
    "4": ("Hydrodissection", "14.00", "98.32"),
    "5": ("Phacoemulsificiation", "51.12", "486.60"),
    "6": ("Irrigation and aspiration", "21.96", "249.12"),
    "7": ("Capsule polishing", "5.96", "79.36"),
    "8": ("Lens implant setting-up", "12.96", "102.12"),
    "9": ("Viscous agent removal", "23.32", "186.24"),
    "10": ("Tonifying and antibiotics", "0.08", "127.16"),
}


def outside_bounds(
    procedure: Procedure, seconds: dict[str, tuple[float | Fraction, float | Fraction]]
) -> dict[str, tuple[object, ...]]:
    """Give the labels whose published lengths lie outside the bounds of their step."""
    outside = {}
    for label, (least, most) in seconds.items():
        step = procedure.find(label)
        assert step is not None, label
        shortest, longest = step.shortest_ns or 0, step.longest_ns
        assert longest is not None, label
        if least * NS < shortest or most * NS > longest:
            outside[label] = (step.code, shortest, longest)
    return outside  # type: ignore[return-value]


@pytest.mark.parametrize("code", ["cataract101", "phaco"])
def test_the_extremes_of_a_hundred_real_cases_are_plausible(code: str) -> None:
    seconds = {
        name: (Fraction(least), Fraction(most)) for name, least, most in CASE_TOTALS_S.values()
    }
    procedure = load_procedure(code)
    assert outside_bounds(procedure, seconds) == {}  # type: ignore[arg-type]
    too_long = {name: (least, most * 40) for name, (least, most) in seconds.items()}
    assert set(outside_bounds(procedure, too_long)) == set(seconds)  # type: ignore[arg-type]


def test_lengths_published_for_residents_are_plausible() -> None:
    # Rali et al., J Cataract Refract Surg 2022;48:44-50, early training, seconds.
    published = {
        "nucleus disassembly": (336.5, 336.5),
        "quadrant removal": (275.1, 275.1),
        "cortical cleanup": (244.2, 244.2),
    }
    assert outside_bounds(load_procedure("phaco"), published) == {}  # type: ignore[arg-type]


def test_cataract101_names_and_numbers_mean_the_same_step() -> None:
    procedure = load_procedure("cataract101")
    places = [procedure.find(number) for number in CASE_TOTALS_S]
    assert places == [procedure.find(name) for name, *_ in CASE_TOTALS_S.values()]
    assert places == list(procedure.steps)
    assert load_procedure("phaco").find("5") is None


@pytest.fixture
def cataract101_cases() -> dict[str, list[tuple[int, str]]]:
    """Starts of one real case after another: video -> (frame, phase number)."""
    path = CATARACT101 / "annotations.csv"
    if not path.is_file():
        pytest.skip("the data set Cataract-101 is not at hand")
    cases: dict[str, list[tuple[int, str]]] = {}
    with path.open(encoding="utf-8-sig", newline="") as stream:
        for row in csv.DictReader(stream, delimiter=";"):
            cases.setdefault(row["VideoID"], []).append((int(row["FrameNo"]), row["Phase"]))
    return cases


def test_orders_claimed_for_cataract101_hold_in_every_real_case(
    cataract101_cases: dict[str, list[tuple[int, str]]],
) -> None:
    procedure = load_procedure("cataract101")
    assert len(cataract101_cases) == 101
    broken = []
    for video, rows in cataract101_cases.items():
        first: dict[str, int] = {}
        for frame, number in rows:
            step = procedure.find(number)
            assert step is not None
            first.setdefault(step.code, frame)
        for step in procedure.steps:
            broken += [
                (video, step.code, earlier)
                for earlier in step.after
                if step.code in first and not first.get(earlier, 1 << 60) < first[step.code]
            ]
            if step.required and step.code not in first:
                broken.append((video, step.code, "missing"))
    assert broken == []


def test_totals_in_the_real_files_are_those_checked_above(
    cataract101_cases: dict[str, list[tuple[int, str]]],
) -> None:
    with (CATARACT101 / "videos.csv").open(encoding="utf-8-sig", newline="") as stream:
        frames = {
            row["VideoID"]: int(row["Frames"]) for row in csv.DictReader(stream, delimiter=";")
        }
    totals: dict[str, list[int]] = {}
    for video, rows in cataract101_cases.items():
        sums: dict[str, int] = {}
        for (start, number), (end, _) in pairwise([*rows, (frames[video], "")]):
            sums[number] = sums.get(number, 0) + end - start
        for number, total in sums.items():
            totals.setdefault(number, []).append(total)
    found = {
        number: (f"{min(values) / 25:.2f}", f"{max(values) / 25:.2f}")
        for number, values in totals.items()
    }
    assert found == {number: (least, most) for number, (_, least, most) in CASE_TOTALS_S.items()}


# --- a file of one's own -------------------------------------------------------------------

OWN = """\
code = "own"
name = "Own"
version = "1"
source = "common practice"

[[steps]]
code = "part"
name = "Part"
kind = "phase"

[[steps]]
code = "first"
name = "First"
parent = "part"
aliases = [
  "erster",  # code = "wrong"
]
overlaps = ["second"]

[[steps]]
code = "second"
name = "Second"
after = ["first"]
shortest = "0:05"
longest = "1:00:00,5"
"""


def refused(text: str) -> FormatError:
    with pytest.raises(FormatError) as caught:
        parse_procedure(text, "own.toml")
    return caught.value


def test_every_value_arrives() -> None:
    procedure = parse_procedure(OWN, "own.toml")
    first, second = procedure.step("first"), procedure.step("second")
    assert (first.kind, first.parent, first.aliases) == (Kind.STEP, "part", ("erster",))
    assert (second.after, second.shortest_ns) == (("first",), 5 * NS)
    assert second.longest_ns == 3600 * NS + NS // 2
    assert (first.overlaps, second.overlaps) == (("second",), ("first",))
    assert procedure.is_idle("No step")


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode())
    assert read_procedure(path) == parse_procedure(OWN, "own.toml")


@pytest.mark.parametrize("code", CODES)
def test_the_line_of_every_code_is_found(code: str) -> None:
    text = procedure_text(code)
    lines = text.splitlines()
    for number, step in enumerate(load_procedure(code).steps):
        line = find_line(text, ("steps", number, "code"))
        assert line is not None
        assert lines[line - 1] == f'code = "{step.code}"'


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('shortest = "0:05"', 'shortst = "0:05"', 24, ["steps[3].shortst", "'shortest'"]),
        ('version = "1"', "version = 1", 3, ["version", "text in quotes"]),
        ('version = "1"', 'version = ""', 3, ["version", "empty"]),
        ('kind = "phase"', 'kind = "phse"', 9, ["steps[1].kind", "did you mean 'phase'"]),
        ('shortest = "0:05"', "shortest = 5", 24, ["text in quotes", '"0:05"']),
        ('shortest = "0:05"', 'shortest = "0:75"', 24, ["'0:75'", "0 to 59"]),
        ('shortest = "0:05"', 'shortest = "5:00:00"', 24, ["more than longest"]),
        ('longest = "1:00:00,5"', "required = 1", 25, ["true or false"]),
        ('after = ["first"]', 'after = "first"', 23, ["must be a list"]),
        ('after = ["first"]', 'after = ["frist"]', 23, ["'frist'", "did you mean 'first'"]),
        ('after = ["first"]', 'after = ["second"]', 23, ["name itself"]),
        ('name = "Second"', "", 20, ["steps[3].name", "missing"]),
        ('code = "second"', 'code = "Second step"', 21, ["not a code"]),
        ('name = "Second"', 'name = "ERS-TER"', 22, ["'ERS-TER'", "step 'first'"]),
        ('name = "Second"', 'name = "?!"', 22, ["no letters"]),
        ('parent = "part"', 'parent = "second"', 14, ["outer level"]),
        ('parent = "part"', 'parent = "prat"', 14, ["code of no step"]),
        ('overlaps = ["second"]', 'overlaps = ["part"]', 18, ["levels differ"]),
        ('overlaps = ["second"]', 'after = ["second"]', 18, ["first after second after first"]),
        ('kind = "phase"', 'kind = "event"', 14, ["only timed steps"]),
        ('kind = "phase"', 'kind = "phase"\ncategory = "finding"', 10, ["only an event"]),
        ('kind = "phase"', 'kind = "phase"\nparent = "first"', 10, ["outer level"]),
        ('version = "1"', 'version = "1"\nidle = ["Erster"]', 4, ["label of step 'first'"]),
        ('name = "Own"', 'name = "Own', 2, ["not valid TOML"]),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_line_key_and_remedy(
    old: str, new: str, line: int, words: list[str]
) -> None:
    assert OWN.count(old) == 1
    error = refused(OWN.replace(old, new))
    assert (error.source, error.line) == ("own.toml", line)
    assert [word for word in words if word not in error.reason] == []


def test_a_code_that_stands_twice_is_refused() -> None:
    error = refused(OWN + '\n[[steps]]\ncode = "second"\nname = "Again"\n')
    assert error.line == 28
    assert "'second' stands twice" in error.reason


def test_event_and_excluded_labels_take_no_bounds() -> None:
    for kind in ("event", "excluded"):
        error = refused(OWN.replace('after = ["first"]', f'kind = "{kind}"'))
        rows = error.reason.splitlines()[1:]
        assert [row.split(":")[0].strip() for row in rows] == ["line 18", "line 24", "line 25"]
        assert kind in rows[1]


def test_all_faults_are_told_in_one_go_in_the_order_of_the_file() -> None:
    text = OWN.replace('version = "1"', "version = 1").replace('name = "First"', "nam = 3")
    error = refused(text)
    assert error.line is None
    head, *rows = error.reason.splitlines()
    assert head == "3 things to put right"
    assert [row.strip().split(":")[0] for row in rows] == ["line 3", "line 11", "line 13"]


def test_an_event_may_be_required_and_an_excluded_stretch_not() -> None:
    table = '\n[[steps]]\ncode = "last"\nname = "Last"\nrequired = true\nkind = '
    assert parse_procedure(OWN + table + '"event"', "own.toml").step("last").required
    assert refused(OWN + table + '"excluded"').line == 30


def test_a_vocabulary_without_steps_is_refused() -> None:
    head = OWN.split("[[steps]]")[0]
    assert "steps" in refused(head).reason
    assert "empty" in refused(head + "steps = []").reason


def test_a_step_that_clashes_with_the_usual_idle_words_is_refused() -> None:
    assert "'end'" in refused(OWN.replace('name = "Second"', 'name = "End"')).reason


def test_a_name_that_is_nearly_built_in_is_suggested() -> None:
    with pytest.raises(FormatError, match=r"did you mean 'phaco'.*\.toml"):
        load_procedure("phacco")
    with pytest.raises(FormatError, match="built in: blank"):
        procedure_text("tonsillectomy")


def test_a_missing_or_unreadable_file_is_an_error_and_not_a_crash(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="cannot be read"):
        load_procedure(str(tmp_path / "none.toml"))
    with pytest.raises(FormatError, match="is a folder"):
        read_procedure(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(OWN.replace("erster", "größe").encode("latin-1"))
    with pytest.raises(FormatError, match="UTF-8") as caught:
        read_procedure(latin)
    assert caught.value.line == 16


def test_levels_are_in_use() -> None:
    procedure = load_procedure("phaco")
    rhexis = procedure.find("rhexis")
    assert rhexis is not None
    assert rhexis.parent is not None
    assert LEVELS.index(procedure.step(rhexis.parent).kind) < LEVELS.index(rhexis.kind)
