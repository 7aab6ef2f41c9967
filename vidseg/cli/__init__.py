"""Floor 7, the door: parse, call, print, exit code.

Exit codes: 0 done; 1 the data has problems of severity error; 2 a request or file that cannot be
used (one message, no traceback); 130 stopped with Ctrl-C.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from vidseg import __version__
from vidseg.cli.door import Door
from vidseg.disk.private import for_owner_alone
from vidseg.disk.trouble import trouble, what_to_do
from vidseg.model.problem import VidsegError
from vidseg.pipeline.outputs import OUTPUTS

COMMANDS = {
    "demo": ("vidseg.cli.demo:command", "Draw a made-up operation and run everything on it."),
    "run": ("vidseg.cli.run:run", "The main job: check, time, chapter, cut, picture, page."),
    "inspect": ("vidseg.cli.inspect:command", "Tell what a recording is and what in it to doubt."),
    "check": ("vidseg.cli.check:command", "Find the problems of an annotation; write nothing."),
    "durations": ("vidseg.cli.durations:command", OUTPUTS["durations"].help),
    "chapters": ("vidseg.cli.run:chapters", OUTPUTS["chapters"].help),
    "clips": ("vidseg.cli.run:clips", OUTPUTS["clips"].help),
    "stills": ("vidseg.cli.run:stills", OUTPUTS["stills"].help),
    "page": ("vidseg.cli.run:page", OUTPUTS["page"].help),
    "mark": ("vidseg.cli.mark:command", "Mark the steps of a recording by hand, in the browser."),
    "transcribe": ("vidseg.cli.transcribe:command", "Write captions of what is said, by ear."),
    "draft": ("vidseg.cli.draft:command", "Draft an annotation from the captions of a narration."),
    "deidentify": ("vidseg.cli.deidentify:command", "Make a copy fit to share, and its record."),
    "convert": ("vidseg.cli.convert:command", "Convert an annotation between formats."),
    "audit": ("vidseg.cli.audit:command", OUTPUTS["audit"].help),
    "procedures": ("vidseg.cli.procedures:command", "List, print or start vocabularies."),
    "batch": ("vidseg.cli.batch:command", "Put many recordings through `run`, also on a cluster."),
    "library": ("vidseg.cli.library:group", "Many cases: durations, curves, comparisons, page."),
    "guide": ("vidseg.cli.guide:command", "What does not fit into --help, a page a topic."),
}
"""Every command: where it is defined (imported when used) and its line in ``--help``."""


class MainDoor(Door):
    """The door with every command."""

    commands_by_name = COMMANDS


@click.group(cls=MainDoor, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, package_name="vidseg", message="vidseg %(version)s")
@click.option(
    "--group-readable",
    is_flag=True,
    envvar="VIDSEG_GROUP_READABLE",
    help="Let others read what is written, as the system is set; else it is for you alone.",
)
@click.pass_context
def door(context: click.Context, group_readable: bool) -> None:
    """Turn a recording of an operation and its step annotation into checked step durations, a
    chaptered recording, exact clips, stills and an offline case page.

    \b
    Examples:
      vidseg demo                          see everything on a made-up operation
      vidseg run case.mp4 steps.csv        the main job
      vidseg check steps.csv               problems only, nothing written
      vidseg durations steps.csv --recording case.mp4
      vidseg library add *.vidseg          keep many cases and study them

    Time is not skill. vidseg is not a medical device. Recordings of patients need consent and
    protection: follow your department's rules and the law where you work.
    """
    context.with_resource(for_owner_alone(group_readable=group_readable))


def print_anything() -> None:
    """Let any text be printed, also where the console's code page cannot hold it (Windows)."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code."""
    print_anything()
    try:
        outcome = door.main(arguments, prog_name="vidseg", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return 2
    except VidsegError as error:
        click.echo(f"vidseg: {error}", err=True)
        return 2
    except (click.Abort, KeyboardInterrupt):
        click.echo(
            "vidseg: stopped. No file was left half-written; the same command goes on from here.",
            err=True,
        )
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except OSError as error:  # what a command had nothing better to say about
        where = f"{os.fsdecode(error.filename)}: " if error.filename else ""
        click.echo(f"vidseg: {where}{trouble(error)}; {what_to_do(error)}", err=True)
        return 2
    return outcome if isinstance(outcome, int) else 0
