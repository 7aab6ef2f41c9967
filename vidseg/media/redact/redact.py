"""A copy of a recording fit to share: spans cut out or black, rectangles covered, nothing hidden.

Whole groups of pictures that nothing is done to are copied (H.264 and HEVC, see ``splicing``),
without the messages that cameras and encoders leave in them (see ``payload``); groups that a cut,
black or a mask concerns are encoded anew. Pictures in all other codecs are encoded anew, because
it cannot be shown here that nothing is left in them. Sound is left out, or encoded anew. No
metadata goes along. The file is checked before it gets its name: its pictures against the
source (see ``verify``), what is covered for being black, silence for being silent, and the
whole file against the allow-list of ``residue``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.container

from vidseg.disk.atomic_write import written_aside
from vidseg.media.codec.bits import START_CODE, by_start_codes
from vidseg.media.codec.parameter_sets import SYNTAXES
from vidseg.media.codec.payload import clean_units
from vidseg.media.read.frames import decode
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.redact.redact_plan import (
    Redaction,
    RedactionPlan,
    fitted_captions,
    fitted_chapters,
    in_copy,
    plan,
)
from vidseg.media.redact.residue import residue
from vidseg.media.redact.silence import require_silence
from vidseg.media.splice.groups import NotSpliceable
from vidseg.media.splice.splicing import MOST_DEPTH, DeeperOrder, Sources, Splice
from vidseg.media.splice.verify import NotBlack, verify_splice
from vidseg.media.write.captions_track import is_language
from vidseg.media.write.clip import require_frames, write_tracks
from vidseg.media.write.encode import add_pictures, clip_time_base, picture_packets
from vidseg.media.write.target import (
    container_of,
    errors_of,
    fitting_chapters,
    open_target,
    refuse_own_sources,
    set_chapters,
)
from vidseg.model.problem import MediaError
from vidseg.model.progress import Progress
from vidseg.model.recording import Captions, Chapter, Recording
from vidseg.model.span import Kept

QUALITIES = (14, 6, 1)
"""x264's constant rate factors tried one after another until covered places come out black."""

_FAULT = "; this is a fault of vidseg, and no copy was written"


@dataclass(frozen=True, slots=True)
class Redacted:
    """What was written: ``kept`` as (span on the case clock, where it starts in the copy), ns.

    ``ways`` are sentences on which pictures were copied, which encoded and why; ``notes`` on
    what the copy could not hold.
    """

    path: Path
    kept: Kept
    copied_frames: int
    encoded_frames: int
    ways: tuple[str, ...]
    notes: tuple[str, ...]


def redact(
    recording: Recording,
    redaction: Redaction,
    out: Path,
    *,
    chapters: Sequence[Chapter] = (),
    captions: Captions | None = None,
    quality: int = 18,
    progress: Progress | None = None,
) -> Redacted:
    """Write a copy of ``recording`` to ``out`` (.mp4 .mov .mkv) with ``redaction`` carried out.

    ``chapters`` and ``captions`` are the only text in the copy; their times are case time and
    are moved here. Time without footage between parts is left out. ``quality`` is x264's
    constant rate factor where everything is encoded anew.

    Raises UsageError where nothing would be left or a mask lies outside the picture, MediaError
    where a frame does not decode, the file cannot be written or a check of it fails. Nothing is
    left behind on failure or Ctrl-C.
    """
    kind = container_of(out)
    if kind == "webm":
        raise MediaError(str(out), "copies to share are written to .mp4, .mov or .mkv")
    refuse_own_sources(recording.parts, out)
    work = _Work(recording, redaction, out, kind, chapters, captions, progress)
    reason = "as asked"
    if not redaction.reencode:
        sources = Sources(0, clean=True)
        try:
            return work.spliced(sources)
        except NotSpliceable as found:
            reason = found.reason
        finally:
            sources.close()
    return work.encoded(quality, reason)


class _Work:
    def __init__(
        self,
        recording: Recording,
        redaction: Redaction,
        out: Path,
        kind: str,
        chapters: Sequence[Chapter],
        captions: Captions | None,
        progress: Progress | None,
    ) -> None:
        self.redaction, self.out, self.kind, self.progress = redaction, out, kind, progress
        self.told = 0.0
        self.plan: RedactionPlan = plan(_plain(recording), redaction)
        kept, pieces = self.plan.kept, self.plan.pieces
        length = pieces[-1].offset + pieces[-1].length
        self.silent = in_copy(redaction.silent, kept)
        moved, self.notes = fitted_chapters(chapters, kept)
        self.chapters, more = fitting_chapters(moved, length, kind)
        gone = redaction.removed | redaction.silent
        self.captions, others = fitted_captions(captions, kept, gone)
        self.notes += more + others
        if self.captions and not is_language(self.captions.language):
            self.captions = replace(self.captions, language="")
        self.texts = {" ".join(chapter.title.split()) for chapter in self.chapters}
        if self.captions:
            self.texts |= {cue.text for cue in self.captions.cues}

    def spliced(self, sources: Sources) -> Redacted:
        """Copy what can be copied. Raises NotSpliceable."""
        depth, tries = 0, list(QUALITIES)
        while True:
            splice = Splice(self.plan.pieces, sources, tries[0], depth, self.plan.covers)
            try:
                self._write_spliced(splice)
            except DeeperOrder as found:
                if found.depth > MOST_DEPTH:
                    raise NotSpliceable("its pictures are stored in no usable order") from None
                depth = found.depth
                continue
            except NotBlack:
                if len(tries) == 1:
                    raise
                tries.pop(0)
                continue
            own = sum(coded.own for coded in splice.coded)
            ways = [f"{len(splice.coded) - own} pictures were copied as they are coded"]
            if own:
                why = splice.reason or "cuts fall within their groups of pictures"
                ways.append(f"{own} pictures were encoded anew: {why}")
            return self._done(len(splice.coded) - own, own, ways)

    def _write_spliced(self, splice: Splice) -> None:
        with written_aside(self.out) as aside, errors_of(self.out):
            with open_target(aside, self.kind, faststart=True, unnamed=True) as target:
                set_chapters(target, self.chapters)
                stream = splice.add_track(target)
                self._write_tracks(target, stream, splice.packets(stream))
            verify_splice(aside, splice, full=False, progress=self._share(0.5, 0.9))
            left = self._check(aside)
            if left:
                raise NotSpliceable(f"copying would leave {left[0]} in the copy")

    def encoded(self, quality: int, reason: str) -> Redacted:
        """Encode everything anew."""
        tries = [quality, *(q for q in QUALITIES if q < quality)]
        while True:
            try:
                self._write_encoded(tries[0])
            except NotBlack as found:
                tries.pop(0)
                if not tries:
                    raise MediaError(str(self.out), found.reason + _FAULT) from None
                continue
            frames = sum(piece.last - piece.first for piece in self.plan.pieces)
            return self._done(0, frames, [f"all {frames} pictures were encoded anew: {reason}"])

    def _write_encoded(self, quality: int) -> None:
        pieces, covers = self.plan.pieces, self.plan.covers
        part = pieces[0].part
        _, head = next(decode(part, pieces[0].first, pieces[0].first + 1))
        base = clip_time_base(pieces)

        def paint(place: int, frame: av.VideoFrame) -> av.VideoFrame:
            cover = covers[place]
            return frame if cover is None else cover.painted(frame, pieces[place].part)

        with written_aside(self.out) as aside, errors_of(self.out):
            with open_target(aside, self.kind, faststart=True, unnamed=True) as target:
                set_chapters(target, self.chapters)
                stream = add_pictures(target, part, head, base, quality)
                packets = _without_messages(picture_packets(stream, pieces, base, paint))
                self._write_tracks(target, stream, packets)
            require_frames(aside, pieces, self.out)
            if any(covers):
                self._require_black(aside)
            left = self._check(aside)
            if left:
                raise MediaError(str(self.out), f"the copy would still hold {left[0]}{_FAULT}")

    def _write_tracks(
        self,
        target: av.container.OutputContainer,
        stream: Any,
        packets: Iterable[av.Packet[Any]],
    ) -> None:
        write_tracks(
            target, self.kind, self.plan.pieces, stream, packets, self.captions,
            self._share(0.0, 0.5), sound=self.redaction.keep_sound, silent=self.silent,
        )  # fmt: skip

    def _require_black(self, path: Path) -> None:
        """Raise NotBlack unless every covered place of every frame is black."""
        covers = [
            cover
            for piece, cover in zip(self.plan.pieces, self.plan.covers, strict=True)
            for _ in range(piece.first, piece.last)
        ]
        report, place = self._share(0.5, 0.9), 0
        with opened(path) as container:
            stream = video_stream(container, path)
            stream.thread_type = "AUTO"
            for frame in container.decode(stream):
                if (
                    place < len(covers)
                    and (cover := covers[place])
                    and (off := cover.strays(frame))
                ):
                    raise NotBlack(off)
                place += 1
                if report:
                    report(min(1.0, place / len(covers)))
        if place != len(covers):
            raise MediaError(
                str(self.out), f"{place} pictures are shown in place of {len(covers)}{_FAULT}"
            )

    def _check(self, path: Path) -> tuple[str, ...]:
        if self.redaction.keep_sound:
            require_silence(path, self.silent, self.out)
        return residue(path, self.texts)

    def _done(self, copied: int, encoded: int, ways: list[str]) -> Redacted:
        if self.progress:
            self.progress(1.0)
        ways.append(
            "the sound was encoded anew" if self.redaction.keep_sound else "the sound was left out"
        )
        return Redacted(self.out, self.plan.kept, copied, encoded, tuple(ways), tuple(self.notes))

    def _share(self, start: float, end: float) -> Progress | None:
        progress = self.progress
        if progress is None:
            return None

        def report(fraction: float) -> None:
            """Never tell less than before, also where the work begins again."""
            self.told = max(self.told, start + (end - start) * fraction)
            progress(self.told)

        return report


def _plain(recording: Recording) -> Recording:
    """Give the recording without the languages of its sound that are none."""
    return replace(
        recording,
        parts=tuple(
            replace(
                part,
                audio=tuple(
                    track if is_language(track.language) else replace(track, language="")
                    for track in part.audio
                ),
            )
            for part in recording.parts
        ),
    )


def _without_messages(packets: Iterable[av.Packet[Any]]) -> Iterator[av.Packet[Any]]:
    """Leave out of encoded pictures what the encoder says about itself."""
    for packet in packets:
        units = clean_units(SYNTAXES["h264"], by_start_codes(bytes(packet)))
        clean = av.Packet(b"".join(b"\x00" + START_CODE + unit for unit in units))
        clean.stream, clean.time_base = packet.stream, Fraction(packet.time_base)
        clean.pts, clean.dts, clean.duration = packet.pts, packet.dts, packet.duration
        clean.is_keyframe = packet.is_keyframe
        yield clean
