"""Whether a browser plays a recording's own file, and shows each frame at its time on the clock."""

from __future__ import annotations

from vidseg.model.recording import Recording


def playable_type(recording: Recording) -> str | None:
    """Give the MIME type of a file that browsers play as it is; None where segments are needed."""
    return None
