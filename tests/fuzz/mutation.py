"""Files made wrong on purpose: strategies that change real ones, and how many are tried.

Run for long by hand: ``VIDSEG_FUZZ_EXAMPLES=5000 python -m pytest -n 0 tests/fuzz``, which also
tries others each time; without it the same few are tried always.
"""

import os
import random
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from vidseg.model.problem import VidsegError

LONGEST_CPU_S = 30.0
"""Processor time that one small file may take; most take milliseconds."""

ODD_TEXTS = (
    "", " ", "\x00", "\ufeff", "\u2028", "\u00b2", "10\u2076", "\u0663", "\U0001f52a", "e\u0301",
    "\u202e", "'", '"', "`", "=1+1", "-", "--", "-->", "<", "</",
    "&#x110000;", "]]>", "{", "[", "\\",
    "\\ud800", "nan", "inf", "-0", "null", "true", "open", "1e999999999", "0x" + "f" * 5000,
    "9" * 5000,
    "9" * 19, "1/0", "0/1", "1/9" + "9" * 30, "99:99:99", "0:00:00:00", "f99999999999", "part999 1",
    "1979-05-27", "\r", "\n", "\r\n\r\n", "\t", ";", ",", "|", "[[steps]]", "mm \u00b2", "\u00bd",
)  # fmt: skip
NUMBER = re.compile(rb"[0-9]+(?:\.[0-9]+)?")
WORD = re.compile(rb"[A-Za-z_]+")

LARGEST = 1_000_000
"""Bytes; repeats of repeats would fill the memory."""

Change = Callable[[bytes, random.Random], bytes]


def _flip(data: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(data))
    return data[:place] + bytes([data[place] ^ 1 << chance.randrange(8)]) + data[place + 1 :]


def _overwrite(data: bytes, chance: random.Random) -> bytes:
    place, length = chance.randrange(len(data)), chance.choice((1, 4, 16, 512))
    filler = chance.choice((b"\0", b"\xff", bytes([chance.randrange(256)])))
    return data[:place] + filler * min(length, len(data) - place) + data[place + length :]


def _cut(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def _drop(data: bytes, chance: random.Random) -> bytes:
    start = chance.randrange(len(data))
    return data[:start] + data[start + chance.choice((1, 8, 200)) :]


def _repeat(data: bytes, chance: random.Random) -> bytes:
    start = chance.randrange(len(data))
    piece = data[start : start + chance.choice((1, 20, 400))]
    return data[:start] + piece * chance.choice((2, 3, 30)) + data[start + len(piece) :]


def _lines(data: bytes, chance: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    kind = chance.randrange(3)
    if kind == 0:
        lines.insert(other, lines[one])
    elif kind == 1:
        lines[one], lines[other] = lines[other], lines[one]
    else:
        del lines[one]
    return b"".join(lines)


def _number(data: bytes, chance: random.Random) -> bytes:
    def other(match: re.Match[bytes]) -> bytes:
        return chance.choice(
            (
                match[0] * chance.choice((2, 10, 3000)), b"-" + match[0], match[0] + b".5", b"0",
                match[0] + b"e999", str(chance.randrange(2**66)).encode(), b"", match[0] + b":60",
            )
        )  # fmt: skip

    return _one(NUMBER, data, other, chance)


def _text(data: bytes, chance: random.Random) -> bytes:
    odd = chance.choice(ODD_TEXTS).encode()
    if chance.randrange(2):
        return _one(WORD, data, lambda match: odd, chance)
    place = chance.randrange(len(data))
    return data[:place] + odd + data[place:]


def _one(
    pattern: re.Pattern[bytes],
    data: bytes,
    other: Callable[[re.Match[bytes]], bytes],
    chance: random.Random,
) -> bytes:
    found = list(pattern.finditer(data))
    if not found:
        return data
    match = chance.choice(found)
    return data[: match.start()] + other(match) + data[match.end() :]


BINARY: tuple[Change, ...] = (_flip, _overwrite, _cut, _drop, _repeat)
TEXT: tuple[Change, ...] = (*BINARY, _lines, _number, _text, _number, _text)


def mutated(originals: tuple[bytes, ...], changes: tuple[Change, ...]) -> st.SearchStrategy[bytes]:
    """One of the originals with one to five changes."""
    change = st.tuples(st.sampled_from(changes), st.integers(0, 2**32))
    return st.builds(_changed, st.sampled_from(originals), st.lists(change, min_size=1, max_size=5))


def _changed(data: bytes, steps: list[tuple[Change, int]]) -> bytes:
    for change, seed in steps:
        data = change(data, random.Random(seed))[:LARGEST] if data else data
    return data


def tried(few: int) -> settings:
    """So many examples in an ordinary run, the same each time."""
    many = os.environ.get("VIDSEG_FUZZ_EXAMPLES")
    return settings(
        max_examples=int(many) if many else few,
        derandomize=not many,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )


@contextmanager
def nothing_but_a_message() -> Iterator[None]:
    """What is done with a wrong file ends soon, well or in an error that says something."""
    before = time.process_time()
    told = "done"
    try:
        yield
    except VidsegError as error:
        told = str(error)
    assert told.strip()
    told.encode()  # can be printed
    assert time.process_time() - before < LONGEST_CPU_S
