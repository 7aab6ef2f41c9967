"""Whether a text that leaves carries what was found in the texts that came in, in any spelling."""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterable, Iterator
from urllib.parse import unquote

from vidseg.measure.privacy.name_lists import BOTH
from vidseg.measure.privacy.sifting import Sifted

_ESCAPE = re.compile(r"\\u([0-9a-fA-F]{4})")
LEAST = 3
"""Letters and digits from which on a finding is searched for: less is met anywhere."""


class FindingSearch:
    """Searches texts for ``findings``, as written, as escaped in JSON, HTML, XML or a link, and
    with other signs between the words, as in a file's name; an everyday word only as written."""

    def __init__(self, findings: Iterable[Sifted]) -> None:
        self._needles: dict[str, Sifted] = {}
        self._exact: dict[str, Sifted] = {}
        for one in findings:
            needle = _folded(one.identifier.text)
            if len(needle.replace(" ", "")) >= LEAST:
                everyday = all(word in BOTH for word in needle.split())
                if everyday:
                    self._exact.setdefault(one.identifier.text, one)
                else:
                    self._needles.setdefault(f" {needle} ", one)

    def found_in(self, text: str) -> Iterator[Sifted]:
        """Give the findings that stand in ``text``, each once."""
        if not self._needles and not self._exact:
            return
        plain = _ESCAPE.sub(lambda match: chr(int(match[1], 16)), text.replace("\\n", " "))
        views = {text, plain, html.unescape(plain), unquote(plain)}
        hay = [f" {_folded(view)} " for view in views]
        for needle, one in self._needles.items():
            if any(needle in view for view in hay):
                yield one
        for word, one in self._exact.items():
            if any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", view) for view in views):
                yield one


def _folded(text: str) -> str:
    """Reduce a text to small letters and digits, with one space between the words."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    kept = (c if c.isalnum() else "" if unicodedata.combining(c) else " " for c in plain)
    return " ".join("".join(kept).split())
