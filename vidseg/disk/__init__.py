"""Files on a disk, kept safe: written aside and renamed, their digests remembered."""
