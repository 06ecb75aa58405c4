"""A marine aquarium as a daily ecology, and keepers who look at it imperfectly.

Nothing here knows of the package's model: no hidden states, no tables of chances by phase.
Nitrifiers grow on ammonia, algae on light and nutrients, animals on algae and detritus;
keepers feed, change water and make mistakes; the phase is read off what the tank does
(:mod:`.phases`). The subpackage imports nothing of the rest of the
package, not even column names, so that it can contradict it; a test compares the names.
"""

from maturity_model.lab.worlds.mechanistic.club import Club, live
from maturity_model.lab.worlds.mechanistic.ranges import PRESETS

__all__ = ["PRESETS", "Club", "live"]
