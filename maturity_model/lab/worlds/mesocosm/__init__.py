"""A second world of tanks, written apart from the first and from all that is judged by it.

It imports nothing of this package. Hard surface is a set of patches that settlers win from
each other by chance; nitrifying biofilm works in two steps by Monod kinetics; small animals
have young and adults and come by hitch-hiking, some never; coralline spreads at the margins
of its crusts. Phases are read off that by the rule in :mod:`.phases`. Rates are common
practice or guesses, save where a comment names a source.
"""

from .club import Club, live
from .kits import ANALYTES
from .looking import SIGNS
from .phases import PHASES
from .region import PRESETS

__all__ = ["ANALYTES", "PHASES", "PRESETS", "SIGNS", "Club", "live"]
