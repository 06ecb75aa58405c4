"""A third world of tanks, written apart from the other two and from all that is judged by it.

It imports nothing of this package. Every quantity of a tank is a number that takes one step a
day: nitrifiers as capacities, surfaces as shares, small animals as abundances that grow
logistically on what food there is. Phases are read off that by the rule in :mod:`.phases`.
All rates are common practice or guesses, without a source.
"""

from .club import World, live
from .looking import ANALYTES
from .people import SIGNS
from .phases import PHASES

#: Name to meaning; there is one range, which the seed draws from.
PRESETS = {"usual": "what keepers commonly have: rock, husbandry and care of all kinds"}

__all__ = ["ANALYTES", "PHASES", "PRESETS", "SIGNS", "World", "live"]
