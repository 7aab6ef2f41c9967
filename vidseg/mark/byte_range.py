"""One range of a file's bytes, by RFC 9110, section 14."""

from __future__ import annotations

import re

_ONE = re.compile(r"bytes=[ \t]*(?:([0-9]+)-([0-9]*)|-([0-9]+))[ \t]*", re.IGNORECASE)


class Unsatisfiable(Exception):  # noqa: N818 - an answer, not an error
    """The range is well formed and holds no byte of the file."""


def byte_range(header: str | None, size: int) -> tuple[int, int] | None:
    """Give the bytes asked for, first and one past the last; None for the whole file.

    A header that is malformed, reversed, of another unit or a list of ranges is passed over, as a
    server may (RFC 9110, 14.2). Raises Unsatisfiable (14.1.2, 15.5.17).
    """
    match = _ONE.fullmatch(header) if header is not None and len(header) <= 200 else None
    if match is None:
        return None
    first_text, last_text, suffix = match.groups()
    if suffix is not None:
        if int(suffix) == 0 or size == 0:
            raise Unsatisfiable
        return max(0, size - int(suffix)), size
    first = int(first_text)
    # 14.1.1: a last position before the first makes the header invalid
    if last_text and int(last_text) < first:
        return None
    if first >= size:
        raise Unsatisfiable
    return first, min(size, int(last_text) + 1) if last_text else size
