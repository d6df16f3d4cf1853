"""Before and after: what changed, is it significant, does the replaced part explain it, did it go the right way."""

from .comparison import compare
from .explanation import Explanation
from .in_circuit import replaced_values, values_in_circuit
from .pairing import judged_of, other_line, pair, same
from .part_value import InCircuit, PartValue
from .result import AGREES, NOT_EXPLAINED, NOTHING_IN_BOTH, UNCHANGED, UNTRIED, Change, Comparison
from .standing_result import Found, Moved, Standings, nearest_to_midband
from .standings import compare_standings

__all__ = [
    "AGREES",
    "NOTHING_IN_BOTH",
    "NOT_EXPLAINED",
    "UNCHANGED",
    "UNTRIED",
    "Change",
    "Comparison",
    "Explanation",
    "Found",
    "InCircuit",
    "Moved",
    "PartValue",
    "Standings",
    "compare",
    "compare_standings",
    "judged_of",
    "nearest_to_midband",
    "other_line",
    "pair",
    "replaced_values",
    "same",
    "values_in_circuit",
]
