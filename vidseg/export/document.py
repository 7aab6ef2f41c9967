"""The digest of a document: of all that a maker is handed, so that nothing it shows is left out."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from vidseg import __version__
from vidseg.disk.digests import bytes_sha256


def digest(document: object, hash_of: Callable[[Path], str] = str) -> str:
    """Give the SHA-256 of a document and of the version that makes things of it.

    A document is plain data: dataclasses, sequences, mappings, sets, numbers, texts, arrays. A
    path counts as its file's name and ``hash_of`` it: the SHA-256 of what the file holds, or the
    path as it is written. Raises TypeError for anything else, which might hide what shows.
    """
    text = json.dumps([__version__, _plain(document, hash_of)], ensure_ascii=True)
    return bytes_sha256(text.encode())


def _plain(value: object, hash_of: Callable[[Path], str]) -> Any:
    """Turn a document into JSON data that tells apart what differs."""

    def inner(item: object) -> Any:
        return _plain(item, hash_of)

    if value is None or isinstance(value, str | int | float):
        return value
    if isinstance(value, Path):
        return ["file", value.name, hash_of(value)]
    if isinstance(value, Fraction):
        return ["fraction", str(value)]
    if isinstance(value, np.ndarray):
        raw = bytes_sha256(np.ascontiguousarray(value).tobytes())
        return ["array", str(value.dtype), list(value.shape), raw]
    if is_dataclass(value) and not isinstance(value, type):
        own = {
            field.name: inner(getattr(value, field.name))
            for field in fields(value)
            if field.compare
        }
        return [type(value).__name__, own]
    if isinstance(value, Mapping):
        return ["mapping", [[inner(key), inner(item)] for key, item in value.items()]]
    if isinstance(value, Set):
        return ["set", sorted(map(inner, value), key=json.dumps)]
    if isinstance(value, Sequence):
        return list(map(inner, value))
    raise TypeError(f"{type(value).__name__} cannot be part of a document")
