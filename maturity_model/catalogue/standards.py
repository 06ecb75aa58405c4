"""Signs and analytes in the words of biodiversity and ocean data standards."""

from __future__ import annotations

import functools
from dataclasses import dataclass

from maturity_model.catalogue.load import DATA, rows_of, table_of


@dataclass(frozen=True, slots=True)
class Taxon:
    """What a sign is an occurrence of, at the rank that an eye can tell.

    Its name is empty where the sign is no single taxon (gas bubbles, a mixed film), and its
    ``aphia_id``, of the World Register of Marine Species, where that was not verified.
    ``standing`` says how well the name is known.
    """

    sign: str
    scientific_name: str
    rank: str
    kingdom: str
    aphia_id: str
    standing: str

    @property
    def name_id(self) -> str:
        """The name's LSID, or empty."""
        return f"urn:lsid:marinespecies.org:taxname:{self.aphia_id}" if self.aphia_id else ""


@dataclass(frozen=True, slots=True)
class Measure:
    """An analyte as ocean data name it.

    ``measure`` is in plain words, ``cf_standard_name`` empty where none fits. ``ucum`` is the
    code of the unit in which it is exchanged, ``unit`` the same unit as
    :mod:`maturity_model.logbook.units` calls it; ``standing`` says how well the names are known.
    """

    analyte: str
    measure: str
    cf_standard_name: str
    ucum: str
    unit: str
    standing: str


@functools.cache
def load_taxa() -> dict[str, Taxon]:
    """Read the taxon of every sign that ships with the package, by sign."""
    rows = rows_of(DATA / "taxa.csv")
    return {r.text("sign"): r.entry(Taxon, rank=r.text("taxon_rank")) for r in rows}


@functools.cache
def load_measures() -> dict[str, Measure]:
    """Read how every analyte is named and measured in ocean data, by analyte."""
    return table_of(DATA / "standards.csv", Measure)
