"""Which metadata fields, and what in a file's name, may identify someone.

The categories are the identifiers of the US Safe Harbor rule, 45 CFR 164.514(b)(2)(i)(A)-(R).
Nothing found here proves that a recording is free of identifiers: pictures and sound are not
looked at, and a name can hide in any word.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import PurePath

from vidseg.measure.privacy.identifiers import CONTENT, PAIR, TITLES, TRADE, YEAR
from vidseg.model.problem import Problem

_HARMLESS_KEYS = re.compile(
    r"language|(major|compatible)_brands?|minor_version|vendor_id|duration(-\w+)?|rotate"
    r"|(bps|number_of_(frames|bytes)|_statistics_tags)(-\w+)?|track(total)?|disc(total)?"
    r"|variant_bitrate|alpha_mode|stereo_mode|isvbr|wmfsdk\w+|com\.android\.(version|capture\.fps)"
)
_SOFTWARE = re.compile(
    r"(lavf|lavc|libav|ffmpeg|x26[45]|libx26[45]|libvpx|libaom|svt-?av1|mkvmerge|libebml"
    r"|libmatroska|handbrake|gstreamer|vpxenc|obs[ -]|avc coding|h\.?264|h\.?265|hevc|mpeg"
    r"|apple prores|jpeg|motion jpeg)",
    re.IGNORECASE,
)
_HANDLERS = re.compile(
    r"(\x1f|\x0c|\x10)?((video|sound|audio|subtitle|text|data|time ?code|metadata|chapter)? ?"
    r"(media )?handler|(mainconcept|gpac iso|apple|core media|iso media|l-smash) .*)",
    re.IGNORECASE,
)
_LANGUAGE = re.compile(r"-[a-z]{3}$")
_NO_TIME = re.compile(r"(0000-|1904-01-01|1970-01-01).*|00:00:00[:;]00")

_KINDS: tuple[tuple[str, str], ...] = (
    (r".*patient.*|.*(mrn|medical.?record).*|.*birth.*|dob|ssn|accession.*", "a patient"),
    (r".*(location|gps|geo|latitude|longitude|xyz).*|place|city|country|address", "a place (B)"),
    (r"creation_?time|.*date.*|.*(recorded|tagged|time_?stamp).*|year|icrd", "a date (C)"),
    (r"time_?code", "the time of day (C)"),
    (
        r".*(serial|imei|hardware|firmware).*|(.*[._])?(make|manufacturer|model)([_-].*)?",
        "a device (M)",
    ),
    (r"(.*[._])?(device|camera|lens|company|product|reel)([._-]?name)?", "a device (M)"),
    (r"encoder|encoded_with|(.*[._])?(software|tool|writer|application)", "a device (M)"),
    (r".*(e-?mail|phone|fax|url|website|contact).*", "a contact (D, F, N)"),
    (
        r".*(artist|author|performer|composer|director|producer|operator|surgeon|physician|owner"
        r"|creator|publisher|copyright|encoded_by|rating_user).*|name",
        "a person (A)",
    ),
    (
        r".*(title|comment|description|synopsis|keyword|subject|note|lyrics|info).*|album|show"
        r"|network|genre|grouping|episode.*|service_(name|provider)",
        "free text (A, R)",
    ),
    (r".*(uuid|umid|uid|guid)|.*identifier|(.*[._])?id", "a unique number (R)"),
)


def identifying(tags: Sequence[tuple[str, str, str]], file_name: str) -> tuple[Problem, ...]:
    """Give a warning for each metadata field, and each part of the name, that may identify.

    ``tags`` are (place, key, value) as in ``Part.tags``; the same field and value in several
    places is one warning. Only the last part of ``file_name`` is looked at. Values that common
    programs write by default are passed over. The letters in brackets are those of the rule.
    """
    name = PurePath(file_name).name
    found: dict[tuple[str, str], tuple[str, list[str]]] = {}
    for place, key, value in tags:
        if (place, _LANGUAGE.sub("", key), value) in tags and _LANGUAGE.search(key):
            continue  # MP4 readers give a field once more by its language
        kind = _kind(place, key.strip().lower(), value.strip())
        if kind is not None:
            found.setdefault((key, value), (kind, []))[1].append(place)
    problems = [
        _warning(f"{key} of {', '.join(places)} may give away {kind}: {value.strip()!r}", name)
        for (key, value), (kind, places) in found.items()
    ]
    problems += [
        _warning(f"the file name may give away {kind}: {text!r}", name)
        for kind, text in _in_name(PurePath(name).stem)
    ]
    return tuple(problems)


def _warning(finding: str, source: str) -> Problem:
    message = f"{finding}; look at it before the recording is shown or shared"
    return Problem.of("identifying-metadata", message, source)


def _kind(place: str, key: str, value: str) -> str | None:
    """Say what a field may identify; None where it is harmless."""
    if not value or value.lower() in ("und", "unknown", "none", "n/a"):
        return None
    if place.startswith("chapter"):
        return _content(value) or ("a person (A)" if TITLES.search(value) else None)
    if key == "handler_name":
        return None if _HANDLERS.fullmatch(value) else "a device or free text (M, R)"
    if _HARMLESS_KEYS.fullmatch(key) or _NO_TIME.fullmatch(value):
        return None
    if (key, value) in (("service_name", "Service01"), ("service_provider", "FFmpeg")):
        return None
    for pattern, kind in _KINDS:
        if not re.fullmatch(pattern, key):
            continue
        if kind.startswith("a date") and re.fullmatch(YEAR, value):
            return None  # the year alone may stay, 164.514(b)(2)(i)(C)
        if key in ("encoder", "encoded_with") or key.endswith(("software", "tool", "application")):
            return None if _SOFTWARE.match(value) else kind
        return kind
    return _content(value)


def _content(text: str) -> str | None:
    return next(
        (f"{kind} ({letter})" for pattern, letter, kind in CONTENT if pattern.search(text)), None
    )


def _in_name(stem: str) -> Iterator[tuple[str, str]]:
    rest = stem
    for pattern, letter, kind in CONTENT:
        for match in pattern.finditer(rest):
            yield f"{kind} ({letter})", match[0]
        rest = pattern.sub("#", rest)
    yield from _people(rest)


def _people(text: str) -> Iterator[tuple[str, str]]:
    titled = TITLES.search(text)
    if titled is not None:
        yield "a person (A)", titled[0]
        return
    at = 0
    while (pair := PAIR.search(text, at)) is not None:
        if not {pair[1].lower(), pair[2].lower()} & TRADE:
            yield "a person (A)", pair[0]
            return
        at = pair.end(1)
