"""Lets tests hold the cases of a batch in workers: Python imports this at its start where this
folder is on PYTHONPATH.

``VIDSEG_GATE`` names a folder. A case leaves ``at-<case>`` there, with its process, before it is
read. It goes on once no ``stay-<case>`` is there and, where there is ``permits``, it has taken one
of so many.
"""

import importlib.util
import os
import sys
import time
from collections.abc import Sequence
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Any

JOB = "vidseg.batch.job"


def _permitted(gate: Path) -> bool:
    try:
        count = int((gate / "permits").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return True
    except ValueError:  # being written
        return False
    for number in range(count):
        try:
            (gate / f"permit-{number}").touch(exist_ok=False)
        except FileExistsError:
            continue
        return True
    return False


def _hold(module: ModuleType, gate: Path) -> None:
    read = module.read_case_files

    def held(case: Any, **more: Any) -> Any:
        mark = gate / f"at-{case.id}"
        mark.with_suffix(".new").write_text(str(os.getpid()), encoding="utf-8")
        mark.with_suffix(".new").replace(mark)
        while (gate / f"stay-{case.id}").exists() or not _permitted(gate):
            time.sleep(0.005)
        return read(case, **more)

    module.read_case_files = held  # type: ignore[attr-defined]


class _Gate:
    """Finds ``vidseg.batch.job`` as others do, and has it held once it is imported."""

    def __init__(self, gate: Path) -> None:
        self.gate = gate

    def find_spec(
        self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name != JOB:
            return None
        sys.meta_path.remove(self)
        spec = importlib.util.find_spec(name)
        assert spec is not None
        assert spec.loader is not None
        execute = spec.loader.exec_module

        def executed(module: ModuleType) -> None:
            execute(module)
            _hold(module, self.gate)

        spec.loader.exec_module = executed  # type: ignore[method-assign]
        return spec


if "VIDSEG_GATE" in os.environ:
    sys.meta_path.insert(0, _Gate(Path(os.environ["VIDSEG_GATE"])))
