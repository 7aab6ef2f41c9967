"""Floor 4, what is heard: speech in a recording as timed words and captions, on this machine."""
