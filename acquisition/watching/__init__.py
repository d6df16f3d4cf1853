"""A point that is watched for minutes or hours with the lead clipped on: warm-up, burn-in, what comes and goes.

No clock, no store, no screen, as in the survey: samples and keys in, things to say and to keep out.
"""

from .course import SETTLED_S, Course, CourseEvent, CourseKind, Piece
from .machine import Watching
from .options import Keeper, WatchOptions

__all__ = [
    "SETTLED_S", "Course", "CourseEvent", "CourseKind", "Keeper", "Piece", "WatchOptions", "Watching",
]  # fmt: skip
