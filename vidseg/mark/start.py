"""From what the user asked for to a session that runs until it is ended."""

from __future__ import annotations

import socket
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vidseg.formats import read_captions, read_sheet
from vidseg.formats.vocabulary import load_procedure
from vidseg.mark.aids import Aids
from vidseg.mark.app import make_app
from vidseg.mark.delivery import Show
from vidseg.mark.hub import Hub
from vidseg.mark.journal import Unwritable
from vidseg.mark.keeper import AnnotationFacts, AnnotationKeeper
from vidseg.mark.kept_file import KEPT_SUFFIXES
from vidseg.mark.replay import Address
from vidseg.mark.rows import Batch, Change, MarkRow
from vidseg.mark.serve import Server, bind, new_token, serve
from vidseg.mark.session import Second, Session, Usual
from vidseg.mark.sheet_rows import Desk, origins_of
from vidseg.measure.case.ruler import Clock
from vidseg.measure.draft.learn import learned_lengths
from vidseg.media.read.probe import open_recording
from vidseg.model.annotation import Sheet
from vidseg.model.case import Case
from vidseg.model.clock import NS
from vidseg.model.problem import UsageError
from vidseg.model.procedure import chosen_vocabulary
from vidseg.model.progress import StageProgress
from vidseg.reading import recording_problems
from vidseg.speech.captions_file import Listening, heard_captions
from vidseg.speech.recogniser import hints_of

if TYPE_CHECKING:
    from vidseg.library.store import Library

SAME_EVENT_NS = 2 * NS
"""A drafted event this near to one that is marked is taken for the same (our choice)."""


@dataclass(frozen=True, slots=True)
class MarkingRequest:
    """What the user asked for; nothing is opened yet. ``case.annotation`` is what is gone on with.

    ``usual`` holds the lengths that a library teaches, by step code.
    """

    case: Case
    procedure: str | None = None
    draft: Path | None = None
    second: Path | None = None
    blind: bool = False
    annotator: str | None = None
    clock: Clock = "recording"
    transcribe: bool = False
    usual: Mapping[str, Usual] = field(default_factory=dict)

    @property
    def kept(self) -> Path:
        """The file that is saved to: the annotation where its format can hold everything."""
        annotation = self.case.annotation
        if annotation is None:
            recording = self.case.recordings[0]
            return recording.with_name(f"{recording.stem}.steps.json").resolve()
        if annotation.suffix.lower() in KEPT_SUFFIXES:
            return annotation.resolve()
        return annotation.with_suffix(".json").resolve()

    def named_by_rows(self) -> str | None:
        """Give the vocabulary that the rows to go on with name: the kept file, another, a draft."""
        for path in (self.kept, self.case.annotation, self.draft):
            if path is not None and path.exists() and (named := read_sheet(path).procedure):
                return named
        return None

    def vocabulary_name(self) -> str:
        """Say which vocabulary counts: see ``chosen_vocabulary``."""
        return chosen_vocabulary(self.procedure, self.named_by_rows(), self.case.procedure)

    def with_lengths(self, library: Library) -> MarkingRequest:
        """Add the usual lengths that a library teaches."""
        from vidseg.many.learned import library_visits

        procedure = load_procedure(self.vocabulary_name())
        visits = library_visits(library, procedure)
        lengths = learned_lengths(visits, procedure)
        counts: dict[str, int] = {}
        for code, _ in visits:
            counts[code] = counts.get(code, 0) + 1
        usual = {
            code: Usual(round(length_s * NS), counts[code], "library")
            for code, length_s in lengths.items()
        }
        return replace(self, usual=usual)

    def open(self, hub: Hub, progress: StageProgress) -> Session:
        """Open everything and lock the annotation. Raises UsageError, FormatError, MediaError."""
        case = self.case
        if not case.recordings:
            raise UsageError(f"case {case.id!r} names no recording")
        given = case.annotation
        if given is not None and given.resolve() != self.kept and self.kept.exists():
            raise UsageError(
                f"{given.name} cannot be saved to, and {self.kept.name} beside it exists already; "
                f"go on with --annotation {self.kept.name}, or move it away"
            )
        procedure = load_procedure(self.vocabulary_name())
        second = None if self.second is None else _second(self.second)
        recording = open_recording(
            case.recordings,
            progress=lambda done: progress("reading frame times", done),
            starts=case.starts,
        )
        spoken = case.captions
        if self.transcribe:
            how = Listening(hints=hints_of(procedure))
            spoken = heard_captions(recording, how, lambda done: progress("listening", done))
        captions = read_captions(spoken) if spoken else None
        desk = Desk(recording, procedure, self.clock)
        # a name taken from the recording's file may name a patient: it goes into no new file
        own_id = case.id if case.id != case.recordings[0].stem else None
        named = None if self.procedure else self.named_by_rows()
        facts = AnnotationFacts(named or procedure.code, own_id, self.annotator)
        keeper = AnnotationKeeper(self.kept, desk, facts, hub.tell)
        try:
            self._refuse_strangers(keeper)
            found = list(recording_problems(recording))
            found += captions.problems if captions is not None else ()
            found += second.sheet.problems if second is not None and not self.blind else ()
            keeper.notices += [str(problem) for problem in found]
            # after a crash the journal has these rows already
            if given is not None and given.resolve() != self.kept and not keeper.batches:
                _bring_in(keeper, read_sheet(given), given.name)
            if self.draft is not None:
                _bring_in(keeper, read_sheet(self.draft), self.draft.name, draft=True)
            session = Session(
                keeper,
                usual=self.usual,
                captions=captions,
                edits=case.edits,
                second=second,
                blind=self.blind,
            )
            # declared edits that cannot be are said now, not to the page
            session.checked()
            return session
        except BaseException:
            keeper.close()
            raise

    def _refuse_strangers(self, keeper: AnnotationKeeper) -> None:
        """With ``blind``, an annotation that names another annotator is not shown at all."""
        theirs = keeper.read_annotator
        if self.blind and theirs and theirs != self.annotator:
            raise UsageError(
                f"{self.kept.name} is by {theirs!r}, and --blind shows nothing of other "
                "annotators; name a file of your own with --annotation, and yourself with "
                "--annotator"
            )


def marking(
    session: Session, hub: Hub, port: int, ready: Callable[[str], None]
) -> tuple[int | None, bool]:
    """Serve a session until it is ended, then save and close it.

    ``port`` 0 takes that of an earlier session that ended uncleanly, else any. ``ready`` hears the
    page's address. Gives the signal that ended it (None: the page), and whether the file holds
    everything. Raises UsageError where the port is taken.
    """
    keeper = session.keeper
    try:
        listener, token = _place(port, keeper.last_address)
    except BaseException:
        keeper.close()
        raise
    keeper.served_at(Address(listener.getsockname()[1], token))
    show, aids = Show(session.recording, hub), Aids(session.recording, hub)

    def opened(server: Server) -> None:
        ready(f"http://{server.host}/{token}/")

    try:
        ended_by = serve(
            listener,
            hub,
            lambda host, stop: make_app(
                session, show, aids, hub, host=host, token=token, stop=stop
            ),
            opened,
        )
    finally:
        try:
            aids.close()
            show.close()
        finally:
            whole = keeper.close()
    return ended_by, whole


def _place(port: int, last: Address | None) -> tuple[socket.socket, str]:
    """Take the port and token to serve at: the last session's, where its page may still wait."""
    if last is None or port not in (0, last.port):
        return bind(port), new_token()
    try:
        return bind(last.port), last.token
    except UsageError:
        return bind(port), new_token()


def _second(path: Path) -> Second:
    sheet = read_sheet(path)
    return Second(sheet.annotator or path.stem, sheet)


def _bring_in(keeper: AnnotationKeeper, sheet: Sheet, name: str, *, draft: bool = False) -> None:
    """Add rows of another file as one batch; of a draft only what is not marked already."""
    keeper.notices += [str(problem) for problem in sheet.problems]
    rows = [origin.row for origin in origins_of(sheet, keeper.desk).values()]
    rows = [row for row in rows if row.start_ns is not None]
    if draft:
        own = list(keeper.rows.values())
        rows = [replace(row, draft=True) for row in rows if not any(_same(row, o) for o in own)]
        keeper.notices.append(f"{len(rows)} rows of {name} to confirm")
    else:
        keeper.notices.append(
            f"{len(rows)} rows read from {name}; what you mark is saved to {keeper.file.path.name}"
        )
    if rows:
        changes = tuple(Change(None, row) for row in rows)
        try:
            keeper.make(Batch(uuid.uuid4().hex, "draft" if draft else "file", changes))
        except Unwritable as error:
            raise UsageError(f"the rows of {name} cannot be kept: {error}") from None


def _same(drafted: MarkRow, row: MarkRow) -> bool:
    """Say whether a drafted row speaks of a visit or event that has a row already."""
    if drafted.label != row.label or drafted.start_ns is None or row.start_ns is None:
        return False
    if drafted.end_ns is None or row.end_ns is None:
        return abs(drafted.start_ns - row.start_ns) <= SAME_EVENT_NS
    return drafted.start_ns < row.end_ns and row.start_ns < drafted.end_ns
