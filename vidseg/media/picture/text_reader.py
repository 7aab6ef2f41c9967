"""Words legible in a picture, by a text recogniser that a package carries (an optional extra)."""

from __future__ import annotations

import importlib.util
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vidseg.media.picture.sparse_pictures import Picture

INSTALL = "pip install '.[text]' in the project's folder"
SURE = 0.8
"""Readings that the recogniser itself trusts less are none: it reads letters into anything."""
LETTERS = 3
"""Letters and digits that a reading has at least: an instrument's edge is read as l, 1 or -."""
LOWEST_PX = 8
"""Pictures lower than this are not looked at."""


@dataclass(frozen=True, slots=True)
class LegibleText:
    """Words and where they stand (px of the picture given), with the recogniser's trust, 0 to 1."""

    left: float
    top: float
    right: float
    bottom: float
    text: str
    score: float


class TextReader:
    """Reads the words in pictures whose longer side is averaged down to ``side`` px."""

    def __init__(self, side: int) -> None:
        self._engine = _engine(side)

    def read(self, picture: Picture) -> list[LegibleText]:
        """Give what is legible in an RGB or grey picture, shape (h, w, 3) or (h, w)."""
        if picture.ndim == 2:
            picture = np.repeat(picture[..., np.newaxis], 3, axis=2)
        found = self._engine(np.ascontiguousarray(picture[..., ::-1]), use_cls=False)
        if found.boxes is None or not found.txts:
            return []
        texts = []
        for corners, text, score in zip(found.boxes, found.txts, found.scores, strict=True):
            if score < SURE or sum(letter.isalnum() for letter in text) < LETTERS:
                continue
            (left, top), (right, bottom) = np.min(corners, axis=0), np.max(corners, axis=0)
            texts.append(
                LegibleText(
                    float(left), float(top), float(right), float(bottom), text, float(score)
                )
            )
        return texts


def can_read() -> bool:
    """Say whether the recogniser and its models are on this machine."""
    wanted = ("rapidocr", "onnxruntime")
    return all(importlib.util.find_spec(name) for name in wanted) and _models() is not None


def _models() -> tuple[Path, Path] | None:
    """Give the finder's and the reader's weights within the package: none is ever fetched."""
    found = importlib.util.find_spec("rapidocr")
    if found is None or found.origin is None:
        return None
    folder = Path(found.origin).parent / "models"
    finder, reader = (
        next(iter(sorted(folder.glob(f"*_{kind}_*.onnx"))), None) for kind in ("det", "rec")
    )
    return None if finder is None or reader is None else (finder, reader)


def _engine(side: int) -> Any:
    import rapidocr

    models = _models()
    assert models is not None, "asked for without can_read"
    return rapidocr.RapidOCR(
        params={
            "Global.log_level": "error",
            "Global.min_height": LOWEST_PX,
            "Global.use_cls": False,
            "Det.model_path": str(models[0]),
            "Rec.model_path": str(models[1]),
            "Det.limit_type": "max",
            "Det.limit_side_len": side,
            "EngineConfig.onnxruntime.intra_op_num_threads": os.cpu_count() or 1,
        }
    )
