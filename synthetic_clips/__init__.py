"""Made-up recordings: clips of known structure, and drawn operations with the truth beside them.

Every frame carries its own number as a bar code, so that a test can tell which frame it got.
"""

from synthetic_clips.barcode import draw_number, read_number
from synthetic_clips.beside import write_beside
from synthetic_clips.clip import make_clip
from synthetic_clips.draw import Operation, draw_operation
from synthetic_clips.scenario import Scenario, Truth
from synthetic_clips.scenario_file import load_scenario

__all__ = [
    "Operation",
    "Scenario",
    "Truth",
    "draw_number",
    "draw_operation",
    "load_scenario",
    "make_clip",
    "read_number",
    "write_beside",
]
