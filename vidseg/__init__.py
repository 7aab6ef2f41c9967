"""vidseg: from a recording and its step annotation to durations, chapters, clips and stills."""

__version__ = "0.2.0"
