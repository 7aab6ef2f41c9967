"""Segments of a recording, made when a browser wants them."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock

from av.error import FFmpegError

from vidseg.media.splice.groups import NotSpliceable, Source
from vidseg.media.stream.fragmented_mp4 import fragment, initial_pictures, initial_sound
from vidseg.media.stream.kept_pieces import KeptPieces
from vidseg.media.stream.pieces import copied, fragment_of, unmade
from vidseg.media.stream.playback import Playback, PlaySegment
from vidseg.media.stream.prefetch import MakingAhead
from vidseg.media.stream.proxy_sound import SoundForm, SoundRun
from vidseg.model.problem import MediaError, UsageError
from vidseg.model.recording import Recording


class SegmentMaker:
    """Makes the segments of a plan; any number of threads may ask at once.

    Copied segments are read from the file whenever they are asked for; sound is decoded when it
    is; encoded pictures are also made ahead in the background. What was made is kept in a
    temporary folder until ``close``. ``progress`` is called in other threads with the fraction
    of segments ready. Sound asked for in order is one piece; after a jump it may lie off by
    what the container rounds its times to (Matroska: half a millisecond).
    """

    def __init__(
        self,
        recording: Recording,
        playback: Playback,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        self._recording, self._playback = recording, playback
        self._sources: dict[int, Source] = {}
        self._copying, self._sounding = Lock(), Lock()
        self._sound: SoundRun | None = None
        self._closed = False
        try:
            self._kept = KeptPieces()
        except OSError as error:
            raise MediaError(str(error.filename), f"no segments can be kept: {error}") from error
        self._encoding = MakingAhead(recording, playback, self._kept, progress)
        self._encoding.start()

    @property
    def done(self) -> float:
        """The fraction of segments that need no waiting."""
        return self._encoding.done

    def initial(self, run: int, track: str) -> bytes:
        """Give the initial segment of a run; ``track`` is "video" or "audio".

        Raises UsageError for what the plan does not hold.
        """
        if not 0 <= run < len(self._playback.runs):
            raise UsageError(f"there is no run {run}")
        form = self._form(track)
        if form is not None:
            return initial_sound(form.stream_info, form.rate_hz, form.channels)
        found = self._playback.runs[run]
        return initial_pictures(found.header, found.width, found.height, found.aspect)

    def segment(self, index: int, track: str) -> bytes:
        """Give segment ``index`` as one fragment, waiting until it is made.

        Raises UsageError for what the plan does not hold, MediaError where it cannot be made:
        the others can be asked for all the same.
        """
        if not 0 <= index < len(self._playback.segments):
            raise UsageError(f"there is no segment {index}")
        segment, form = self._playback.segments[index], self._form(track)
        if form is not None:
            return self._sound_of(index, segment, form)
        if self._playback.runs[segment.run].way == "encoded":
            return self._encoding.get(index)
        return self._copied(index, segment)

    def close(self) -> None:
        """End what runs in the background and delete all that was made."""
        self._encoding.close()
        with self._copying, self._sounding:
            self._closed = True
            for source in self._sources.values():
                source.close()
            self._sources.clear()
            if self._sound is not None:
                self._sound.close()
            self._sound = None
        self._kept.close()

    def _form(self, track: str) -> SoundForm | None:
        """Give the form of the sound where ``track`` names it, None for the pictures."""
        if track == "video":
            return None
        if track != "audio" or self._playback.sound is None:
            raise UsageError(f"there is no track {track!r}")
        return self._playback.sound

    def _refuse_closed(self) -> None:
        if self._closed:
            raise MediaError(str(self._kept.folder), "the segments kept there are gone")

    def _copied(self, index: int, segment: PlaySegment) -> bytes:
        part = self._recording.parts[segment.part]
        with self._copying:
            self._refuse_closed()
            try:
                if segment.part not in self._sources:
                    self._sources[segment.part] = Source(part)
                found = [*copied(self._sources[segment.part], segment.first, segment.last)]
            except NotSpliceable as error:
                raise unmade(part, segment, error.reason) from error
            except FFmpegError as error:
                raise unmade(part, segment, error.strerror or str(error)) from error
        return fragment_of(index, segment, part, found)

    def _sound_of(self, index: int, segment: PlaySegment, form: SoundForm) -> bytes:
        part, name = self._recording.parts[segment.part], f"audio-{index}"
        start, end = form.sample_at(segment.start_ns), form.sample_at(segment.end_ns)
        with self._sounding:
            self._refuse_closed()
            kept = self._kept.get(name)
            if kept is not None:
                return kept
            run = self._sound
            if run is None or run.number != segment.part or run.at != start:
                if run is not None:
                    run.close()
                run = self._sound = SoundRun(part, segment.part, form, segment.first)
            try:
                data = fragment(index, start, run.until(end))
            except (MediaError, FFmpegError) as error:
                self._sound = None
                reason = error.reason if isinstance(error, MediaError) else str(error)
                raise unmade(part, segment, reason) from error
            self._kept.put_if_room(name, data)
        return data
