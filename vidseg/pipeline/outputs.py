"""Every output of a case, said once: what commands, batches and help know of it stands here."""

from __future__ import annotations

from dataclasses import dataclass, field

from vidseg.model.cutting import Cutting


@dataclass(frozen=True, slots=True)
class Output:
    """One kind of output.

    ``name`` stands in commands, in ``--only`` and beside the progress; ``help`` is its line there.
    ``made_from`` says what its documents hold (see ``OutputFolder.make``), ``files`` what it
    writes. ``make`` names the function that makes it in a ``CaseRun``; it is imported when used.
    ``seconds_a_gb`` are one core's for a gigabyte of recording, a guess at the order of magnitude
    for H.264 of 1920x1080; ``copies`` are bytes written for a byte of recording,
    ``bytes_a_case`` those written besides. ``usual``: made unless something else is asked for.
    """

    name: str
    help: str
    made_from: str
    files: tuple[str, ...]
    make: str
    seconds_a_gb: float
    copies: float = 0.0
    bytes_a_case: int = 0
    usual: bool = True


_LISTED = (
    Output(
        "audit",
        "Say whether a recording's clock can be trusted.",
        "every picture",
        ("audit.csv", "audit.json", "audit/*.jpg"),
        "vidseg.pipeline.audit:make",
        seconds_a_gb=250.0,
        bytes_a_case=2_000_000,
        usual=False,
    ),
    Output(
        "durations",
        "Print or write how long each step took.",
        "annotation, vocabulary, frame times",
        ("durations.csv", "segments.csv", "events.csv", "data-dictionary.csv", "case.json"),
        "vidseg.pipeline.durations:make",
        seconds_a_gb=2.0,
        bytes_a_case=200_000,
    ),
    Output(
        "chapters",
        "Write the recording with its steps as chapters.",
        "the recording's packets, step names, captions",
        ("*.chaptered.*", "chapters.vtt", "chapters.xml", "chapters.txt"),
        "vidseg.pipeline.chapters:make",
        seconds_a_gb=8.0,
        copies=1.0,
    ),
    Output(
        "clips",
        "Cut an exact clip for each visit to a step.",
        "the frames of each visit, captions",
        ("clips/*.mp4", "clips/*.vtt", "clips/clips.csv"),
        "vidseg.pipeline.clips:make",
        seconds_a_gb=40.0,
        copies=1.0,
    ),
    Output(
        "stills",
        "Pick a clear picture of each step.",
        "the frames of each step, step names, durations",
        ("stills/*.jpg", "stills/stills.csv", "contact-sheet.jpg"),
        "vidseg.pipeline.stills:make",
        seconds_a_gb=10.0,
        bytes_a_case=4_000_000,
    ),
    Output(
        "page",
        "Write the offline case page, with what it shows.",
        "all of the above",
        ("index.html",),
        "vidseg.pipeline.page:make",
        seconds_a_gb=0.5,
        bytes_a_case=400_000,
    ),
)
OUTPUTS = {output.name: output for output in _LISTED}
"""Every output by name, in the order in which they are made: later ones show earlier ones."""
USUAL = frozenset(output.name for output in _LISTED if output.usual)
"""What ``run`` makes."""


def outputs_text() -> str:
    """Give the table for people: each output with its files, and what they are made from."""
    width = max(map(len, OUTPUTS))
    lines = [
        line
        for name, output in OUTPUTS.items()
        for line in (
            f"  {name:{width}}  {', '.join(output.files)}",
            f"  {'':{width}}  from {output.made_from}",
        )
    ]
    return "\n".join(["\b", "Outputs, each with its files and what they are made from:", *lines])


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What to make. ``steps`` limits clips and stills; ``pad_ns`` widens each clip; ``cores`` is
    how many are used at a time, 0 for all there are, and shows in no file."""

    steps: tuple[str, ...] = ()
    pad_ns: int = 0
    join_visits: bool = False
    cutting: Cutting = field(default_factory=Cutting)
    cores: int = 0
    outputs: frozenset[str] = USUAL
