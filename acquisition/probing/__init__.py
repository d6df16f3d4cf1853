"""The guided survey as a pure state machine: steady events and one key in, things to say, show and ask out.

No clock, no store, no screen: the caller feeds samples and keys, writes what `commit` is given to disk
before it returns, and turns actions into lines, tones or a page. The safety rules of common bench practice are held
here: refusal beyond 80 % of the lowest rating, the clip-on sequence, power off before a clip moves, one hand for a
touch.
"""

from .actions import Action, ActionKind, Do, Key
from .guided import Guided
from .limits import ProbingLimits
from .machine import Probing
from .options import Options, Phase

__all__ = ["Action", "ActionKind", "Do", "Guided", "Key", "Options", "Phase", "Probing", "ProbingLimits"]
