"""The types that cross from the bench to the analysis, and the columns of every table of readings.

Standard library and numpy only; every record is frozen and checks itself. Values are in the SI unit of their
quantity (``QUANTITIES``); an uncertainty is one standard deviation (k = 1, JCGM 100).
"""

from .jobs import EVENT_KINDS, LONGEST_NAME, PULLED, REPAIRS, WORK, Event, JobSheet, Pass, Told
from .readings import (
    CAPTURE_COLUMNS,
    DRIVEN_QUANTITIES,
    JUDGED_QUALITIES,
    QUALITIES,
    QUANTITIES,
    READING_COLUMNS,
    RELATIVE_QUANTITIES,
    Capture,
    Column,
    Measurand,
    Reading,
    judged_dc,
    points_of,
)
from .surveys import RATING_MARGIN, UNKNOWN_RATING_V, SurveyPlan, SurveyStep, usable_v
from .verdicts import verdict_text
from .watched import LEAVES, SETTLED, STANDS, Stretch

__all__ = [
    "CAPTURE_COLUMNS", "DRIVEN_QUANTITIES", "EVENT_KINDS", "JUDGED_QUALITIES", "LEAVES", "LONGEST_NAME", "PULLED",
    "QUALITIES", "QUANTITIES", "RATING_MARGIN", "READING_COLUMNS", "RELATIVE_QUANTITIES", "REPAIRS", "SETTLED",
    "STANDS", "UNKNOWN_RATING_V", "WORK", "Capture", "Column", "Event", "JobSheet", "Measurand", "Pass", "Reading",
    "Stretch", "SurveyPlan", "SurveyStep", "Told", "judged_dc", "points_of", "usable_v", "verdict_text",
]  # fmt: skip
