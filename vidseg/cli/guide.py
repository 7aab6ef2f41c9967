"""``vidseg guide``: what does not fit into ``--help``, a page a topic."""

from __future__ import annotations

import re
import sys
from importlib.resources import files

import click
from click.shell_completion import CompletionItem

TOPICS = (
    "marking",
    "drafting",
    "sharing",
    "batches",
    "library",
    "formats",
    "problems",
    "media",
    "changes",
)
"""The pages, in the order in which they are listed."""


def page_text(topic: str) -> str:
    """Give the Markdown text of a page of ``TOPICS``."""
    return files("vidseg").joinpath("guide", f"{topic}.md").read_text(encoding="utf-8")


def without_links(text: str) -> str:
    """Name pages by their command: links lead within the repository, where no terminal stands."""
    text = re.sub(r"\[([^\]]+)\]\((\w+)\.md\)", r"\1 (`vidseg guide \2`)", text)
    return re.sub(r"\[([^\]]+)\]\(#[^)]*\)", r"\1", text)


class Topic(click.ParamType[str]):
    """The name of a page; a word that is none is answered with the nearest."""

    name = "topic"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Look the page up."""
        if value not in TOPICS:
            from difflib import get_close_matches

            near = get_close_matches(value, TOPICS, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"topics are {', '.join(TOPICS)}"
            self.fail(f"there is no page {value!r}; {hint}", param, ctx)
        return value

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Complete a topic."""
        return [CompletionItem(topic) for topic in TOPICS if topic.startswith(incomplete)]


@click.command("guide")
@click.argument("topic", type=Topic(), required=False)
def command(topic: str | None) -> int:
    """Show a page of the guide, or list its pages.

    \b
    Examples:
      vidseg guide
      vidseg guide sharing
    """
    if topic is None:
        for name in TOPICS:
            title = page_text(name).splitlines()[0].removeprefix("# ")
            click.echo(f"vidseg guide {name:9}  {title}")
        return 0
    text = page_text(topic)
    if not sys.stdout.isatty():
        click.echo(text, nl=False)
        return 0
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    console.print(Markdown(without_links(text)), width=min(console.width, 100))
    return 0
