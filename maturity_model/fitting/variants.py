"""Variants of the pooled model: a part more or less."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.power_tables import Powers


class Variant(NamedTuple):
    """A pooled model with a part more or less; ``geometric`` has one stage for each phase."""

    name: str
    label: str
    options: ModelOptions
    geometric: bool = False

    @property
    def known(self) -> tuple[str, ...]:
        """Kinds of answers that enter its likelihood."""
        return tuple(k for k in Powers._fields if getattr(self.options, k))

    @property
    def targets(self) -> tuple[str, ...]:
        """What it can be scored on; see :mod:`.comparison`."""
        everything = ("log",) if self.known == Powers._fields else ()
        return (*everything, *self.known)


def variants_of(options: ModelOptions) -> tuple[Variant, ...]:
    """The model with ``options``, first, and what it is compared with."""
    name, label = "tank_signs", "With tank-level signs"
    if options.tank_signs:
        name, label = "no_tank_signs", "Without tank-level signs"
    variants = [
        Variant("full", "The fit itself", options),
        Variant("no_persistence", "No persistence", replace(options, persistence=False)),
        Variant("geometric", "Geometric dwell", options, geometric=True),
        Variant("no_pace", "No pace", replace(options, pace=False)),
        Variant(name, label, replace(options, tank_signs=not options.tank_signs)),
        Variant("signs_only", "Signs only", replace(options, readings=False)),
        # Without signs, effects on them have nothing to act on.
        Variant(
            "readings_only",
            "Readings only",
            replace(options, signs=False, tank_signs=False, persistence=False, skill=False),
        ),
    ]
    return tuple(v for v in variants if v.name == "full" or v.options != options or v.geometric)
