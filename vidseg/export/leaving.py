"""The gate: files that leave are read as they lie on the disk, before they get their name.

Whatever way a text went through the program, here it must come by.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from vidseg.measure.privacy.finding_search import FindingSearch
from vidseg.measure.privacy.identifying_text import found_in_words
from vidseg.measure.privacy.person_names import Manner
from vidseg.measure.privacy.sifting import Sieve, Sifted
from vidseg.media.read.file_texts import file_texts
from vidseg.model.problem import Problem

_MEDIA = frozenset({".mp4", ".mov", ".mkv", ".webm", ".m4v", ".mka"})
_PICTURES = frozenset({".jpg", ".jpeg", ".png"})


@dataclass(frozen=True, slots=True)
class Gate:
    """What must not leave: ``findings`` in what came in, and anything of their kind in captions
    and chapters of media. ``known`` and ``allowed`` as for ``Sieve``; of ``part``, a folder in the
    one that is written, all files are read."""

    findings: tuple[Sifted, ...]
    known: Collection[str] = ()
    allowed: Collection[str] = ()
    part: str = ""

    def __call__(self, work: Path) -> tuple[Problem, ...]:
        """Give what the files in ``work`` carry. Raises MediaError for media that cannot be
        opened, OSError for a file that cannot be read."""
        search = FindingSearch(one for one in self.findings if not one.allowed)
        found: dict[tuple[str, str], Sifted] = {}
        for path in sorted((work / self.part).rglob("*")):
            name = path.relative_to(work).as_posix()
            texts = [name]
            if path.is_file():
                texts += self._media(path, name, found) if _is_media(path) else _texts(path)
            for text in texts:
                for one in search.found_in(text):
                    where = f"{name}, from {one.where}" if one.where else name
                    found.setdefault((name, one.identifier.text), _moved(one, where))
        return found_in_words(list(found.values()))

    def _media(self, path: Path, name: str, found: dict[tuple[str, str], Sifted]) -> list[str]:
        """Judge the captions and chapters of a file; give all its texts."""
        sieve, texts = Sieve(self.known, self.allowed), []
        for one in file_texts(path):
            texts.append(one.text)
            if one.kind != "metadata":
                manner: Manner = "label" if one.kind == "chapter" else "prose"
                sieve.passes(one.text, f"{name}, {one.where}", manner)
        for sifted in sieve.found:
            if not sifted.allowed:
                found.setdefault((name, sifted.identifier.text), sifted)
        return texts


def _moved(one: Sifted, where: str) -> Sifted:
    return Sifted(where, one.text, one.identifier, one.allowed)


def _is_media(path: Path) -> bool:
    return path.suffix.lower() in _MEDIA


def _texts(path: Path) -> list[str]:
    return list(_texts_in(path.read_bytes(), path.suffix.lower()))


def _texts_in(data: bytes, suffix: str) -> Iterator[str]:
    """Give the texts of a file's bytes; of a picture those beside its pixels."""
    if suffix in _PICTURES:
        with Image.open(io.BytesIO(data)) as picture:
            told = [*picture.info.values(), *picture.getexif().values()]
        for value in told:
            yield value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    elif zipfile.is_zipfile(io.BytesIO(data)):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for name in archive.namelist():
                yield name
                yield from _texts_in(archive.read(name), Path(name).suffix.lower())
    else:
        yield data.decode("utf-8", errors="replace")
