"""Worlds with a known truth, written down as ordinary logbooks.

``model`` is the package's own model run forwards; ``mechanistic`` is the daily ecology of
:mod:`.mechanistic`, which knows nothing of it. Both can have an assumption of the model
broken (:data:`BROKEN`). ``microcosm`` and ``mesocosm`` are two more ecologies, each
written apart from the others and from all that is judged by them. All come out through the
log's reader, so that nothing is bypassed.
"""

from maturity_model.lab.worlds.broken import BROKEN
from maturity_model.lab.worlds.club import BREAKABLE, WORLDS, SimulatedClub, presets, simulate
from maturity_model.lab.worlds.mechanistic.phases import PHASES

__all__ = [
    "BREAKABLE",
    "BROKEN",
    "PHASES",
    "WORLDS",
    "SimulatedClub",
    "presets",
    "simulate",
]
