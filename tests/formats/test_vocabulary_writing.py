from pathlib import Path

import pytest

from vidseg.formats.vocabulary import builtin_codes, load_procedure
from vidseg.formats.vocabulary_writing import write_procedure

TIMED = ("code", "name", "kind", "parent", "category", "overlaps", "after", "required", "repeats")


@pytest.mark.parametrize("code", builtin_codes())
def test_what_timing_needs_comes_back(code: str, tmp_path: Path) -> None:
    procedure = load_procedure(code)
    path = tmp_path / "procedure.toml"
    write_procedure(procedure, path)
    back = load_procedure(str(path))
    assert (back.code, back.name, back.version) == (
        procedure.code,
        procedure.name,
        procedure.version,
    )
    for one, other in zip(procedure.steps, back.steps, strict=True):
        assert [getattr(one, key) for key in TIMED] == [getattr(other, key) for key in TIMED]
        assert (other.definition, other.spoken, other.aliases) == ("", (), ())
