"""Pages without a script, whole in one file: template, styles and the policy that holds them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from vidseg import __version__
from vidseg.export.page import csp_hash, read_asset
from vidseg.export.page_text import plain


def fill_page(
    template: str, styles: Sequence[str], context: Mapping[str, Any], *, pictures: bool = False
) -> str:
    """Fill a template that comes with the package.

    ``styles`` are names of style sheets, written into the page; its policy allows these and nothing
    else, but for ``pictures`` that are part of the page. ``context`` is what the template asks for
    besides ``version``, ``policy`` and ``styles``.
    """
    sheets = [read_asset(name) for name in styles]
    policy = [
        "default-src 'none'",
        *(["img-src data:"] if pictures else []),
        f"style-src {' '.join(map(csp_hash, sheets))}",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    environment = Environment(
        loader=FunctionLoader(read_asset),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(plain=plain, svg=Markup)
    return environment.get_template(template).render(
        context, version=__version__, policy="; ".join(policy), styles=list(map(Markup, sheets))
    )
