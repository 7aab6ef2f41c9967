"""Captions of a clip: those of the footage it holds, on its own clock."""

from __future__ import annotations

from collections.abc import Sequence

from vidseg.model.annotation import Cue
from vidseg.model.recording import Captions
from vidseg.model.span import Span


def cut_captions(captions: Captions, spans: Sequence[Span]) -> Captions:
    """Give the captions of ``spans`` (ns, case time) played one after another from 0.

    A caption that reaches beyond a span is cut at its edge; one shown in several spans appears
    in each, as one where the spans touch. Cues come back sorted by start; problems are left
    with the source.
    """
    cues: list[Cue] = []
    offset = 0
    for span in _joined(spans):
        for cue in captions.cues:
            if cue.span.overlaps(span):
                start = max(cue.span.start, span.start) - span.start + offset
                end = min(cue.span.end, span.end) - span.start + offset
                cues.append(Cue(Span(start, end), cue.text))
        offset += span.length
    cues.sort(key=lambda cue: cue.span)
    return Captions(captions.source, tuple(cues), captions.language)


def _joined(spans: Sequence[Span]) -> list[Span]:
    joined: list[Span] = []
    for span in spans:
        if joined and joined[-1].end == span.start:
            joined[-1] = Span(joined[-1].start, span.end)
        else:
            joined.append(span)
    return joined
