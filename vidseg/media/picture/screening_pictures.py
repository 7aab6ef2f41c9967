"""Pictures of what a look over a recording found, for a person to judge by."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PIL import Image

from vidseg.disk.atomic_write import write_jpeg_aside
from vidseg.media.picture.sparse_pictures import Picture
from vidseg.media.picture.still import shown
from vidseg.media.picture.still_candidates import by_part
from vidseg.media.read.keyframes import sparse_frames
from vidseg.model.progress import Progress
from vidseg.model.recording import Recording
from vidseg.model.screening import Overlay, UnlikeView

THUMBNAIL_PX = 320
"""Longest side of a thumbnail (px)."""

CROP_PX = 1280
"""Longest side of a crop (px)."""

MARGIN = 0.5
"""A crop shows so much more than its box on each side, in heights of the box."""

QUALITY = 88


def write_crops(
    recording: Recording,
    overlays: Sequence[Overlay],
    folder: Path,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write each overlay, with a margin, from each of its frames, as JPEG without metadata.

    Names are ``overlay-01-1.jpg``: the number of the overlay in ``overlays``, then of its frame.
    ``folder`` must exist. A frame that does not decode is left out. ``progress`` gets the fraction
    done. Returns the paths written, in order of name. Raises MediaError for an unreadable part.
    """
    wanted = [
        (frame, folder / f"overlay-{number:02}-{place}.jpg", _cropped(overlay))
        for number, overlay in enumerate(overlays, 1)
        for place, frame in enumerate(overlay.frames, 1)
    ]
    return _write(recording, wanted, CROP_PX, progress)


def write_view_thumbnails(
    recording: Recording,
    views: Sequence[UnlikeView],
    folder: Path,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write the frame of each view as ``view-01.jpg``, 320 px at most; else as ``write_crops``."""
    wanted = [
        (view.frame, folder / f"view-{number:02}.jpg", _whole)
        for number, view in enumerate(views, 1)
    ]
    return _write(recording, wanted, THUMBNAIL_PX, progress)


_Cut = Callable[[Picture, tuple[int, int]], Picture]


def _cropped(overlay: Overlay) -> _Cut:
    margin = MARGIN * overlay.height

    def cut(picture: Picture, full: tuple[int, int]) -> Picture:
        across, down = picture.shape[1] / full[0], picture.shape[0] / full[1]
        left = max(0, round((overlay.x - margin) * across))
        top = max(0, round((overlay.y - margin) * down))
        right = round((overlay.x + overlay.width + margin) * across)
        bottom = round((overlay.y + overlay.height + margin) * down)
        return picture[top:bottom, left:right]

    return cut


def _whole(picture: Picture, full: tuple[int, int]) -> Picture:
    return picture


def _write(
    recording: Recording,
    wanted: Sequence[tuple[int, Path, _Cut]],
    most_px: int,
    progress: Progress | None,
) -> tuple[Path, ...]:
    by_frame: dict[int, list[tuple[Path, _Cut]]] = {}
    for frame, path, cut in wanted:
        by_frame.setdefault(frame, []).append((path, cut))
    written: list[Path] = []
    for number, base, local in by_part(recording, by_frame):
        part = recording.parts[number]
        for index, decoded in sparse_frames(part, local, pass_over=True):
            turned = part.rotation % 180 != 0
            size = (decoded.width, decoded.height)
            picture = shown(decoded, part)
            for path, cut in by_frame[base + index]:
                image = Image.fromarray(cut(picture, size[::-1] if turned else size))
                image.thumbnail((most_px, most_px), Image.Resampling.LANCZOS)
                write_jpeg_aside(path, image, quality=QUALITY)
                written.append(path)
            if progress is not None:
                progress(len(written) / len(wanted))
    if progress is not None:
        progress(1.0)
    return tuple(sorted(written))
