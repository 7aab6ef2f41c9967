"""A draft annotation from captions: words to clues, clues to evidence, evidence to a course."""

from vidseg.measure.draft.draft import Draft, draft
from vidseg.measure.draft.events import DraftEvent
from vidseg.measure.draft.evidence import Telling
from vidseg.measure.draft.rows import DraftRow
from vidseg.measure.draft.settings import DraftWeights

__all__ = ["Draft", "DraftEvent", "DraftRow", "DraftWeights", "Telling", "draft"]
