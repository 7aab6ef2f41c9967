"""Whether a browser plays a recording's own file, and shows each frame at its time on the clock."""

from __future__ import annotations

from av.audio.stream import AudioStream
from av.container import InputContainer

from vidseg.media.read.keyframes import keyframes
from vidseg.media.read.opening import opened, video_stream
from vidseg.media.stream.copyable import LONGEST_NS, PROFILES, end_ns, why_not
from vidseg.media.write.packet_copy import PRE_ROLL_NS
from vidseg.model.clock import NS, pts_to_ns
from vidseg.model.recording import Part, Recording

_TOLERATED_NS = NS // 1000
_PLACES = 8
_MOVIE_SOUND = {"LC": "mp4a.40.2", "HE-AAC": "mp4a.40.5", "HE-AACv2": "mp4a.40.29"}
"""RFC 6381, 3.3, with the object types of ISO/IEC 14496-3; by FFmpeg's name of the profile."""

_WEB_PICTURES = {"vp8": "vp8", "vp9": "vp9"}
_WEB_SOUND = {"opus": "opus", "vorbis": "vorbis"}


def playable_type(recording: Recording) -> str | None:
    """Give the MIME type of a file that browsers play as it is; None where segments are needed.

    That is one part whose container's clock is the case clock, with nothing hidden, of a codec
    that every current browser decodes, and with key frames near enough to jump about.
    """
    part = recording.parts[0]
    zero = pts_to_ns(part.first_pts, part.time_base)
    if len(recording.parts) > 1 or part.start or part.skipped or not part.pts_order:
        return None
    if abs(zero) > _TOLERATED_NS or part.interlaced or part.rotation:
        return None
    if part.pixel_format not in ("yuv420p", "yuvj420p"):
        return None
    if any(track.start_ns < -PRE_ROLL_NS for track in part.audio):
        return None
    with opened(part.path) as container:
        kind = _movie(container, part) if "mp4" in part.container else _web(container, part)
    return None if kind is None or _far_between(part) else kind


def _movie(container: InputContainer, part: Part) -> str | None:
    stream = video_stream(container, part.path)
    header = stream.codec_context.extradata or b""
    if why_not(part) is not None or header[:1] != b"\x01" or header[1] not in PROFILES:
        return None
    if stream.frames != len(part.frame_ns) or stream.codec_context.codec_tag != "avc1":
        return None
    codecs = [f"avc1.{header[1:4].hex()}"]
    if part.audio:
        sound = container.streams[part.audio[0].index]
        if not isinstance(sound, AudioStream) or part.audio[0].codec != "aac":
            return None
        name = _MOVIE_SOUND.get(str(sound.codec_context.profile))
        if name is None:
            return None
        codecs.append(name)
    return f'video/mp4; codecs="{", ".join(codecs)}"'


def _web(container: InputContainer, part: Part) -> str | None:
    codecs = [_WEB_PICTURES.get(part.codec)]
    if part.audio:
        codecs.append(_WEB_SOUND.get(part.audio[0].codec))
    named = [codec for codec in codecs if codec is not None]
    if part.path.suffix.lower() != ".webm" or len(named) < len(codecs):
        return None
    return f'video/webm; codecs="{", ".join(named)}"'


def _far_between(part: Part) -> bool:
    """Say whether somewhere the key frame before is farther than a jump may cost."""
    with keyframes(part) as found:
        for place in range(1, _PLACES + 1):
            frame = len(part.frame_ns) * place // _PLACES - 1
            key = found.before(frame)
            if key is None or end_ns(part, frame) - int(part.frame_ns[key]) > LONGEST_NS:
                return True
    return False
