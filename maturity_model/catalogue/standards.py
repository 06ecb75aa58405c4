"""Signs and analytes in the words of biodiversity and ocean data standards."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from pathlib import Path

_DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True)
class Taxon:
    """What a sign is an occurrence of, at the rank that an eye can tell.

    Attributes
    ----------
    scientific_name, rank, kingdom : str
        Empty where the sign is no single taxon (gas bubbles, a mixed film).
    aphia_id : str
        Of the World Register of Marine Species; empty where it was not verified.
    standing : str
        How well the name is known.
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

    Attributes
    ----------
    measure : str
        In plain words.
    cf_standard_name : str
        Of the CF conventions; empty where none fits.
    ucum : str
        UCUM code of the unit in which it is exchanged.
    unit : str
        The same unit as :mod:`maturity_model.logbook.units` calls it.
    standing : str
        How well the names are known.
    """

    analyte: str
    measure: str
    cf_standard_name: str
    ucum: str
    unit: str
    standing: str


def _rows(name: str) -> list[dict[str, str]]:
    with (_DATA / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


@functools.cache
def load_taxa() -> dict[str, Taxon]:
    """Read the taxon of every sign that ships with the package, by sign."""
    return {
        r["sign"]: Taxon(
            r["sign"],
            r["scientific_name"],
            r["taxon_rank"],
            r["kingdom"],
            r["aphia_id"],
            r["standing"],
        )
        for r in _rows("taxa.csv")
    }


@functools.cache
def load_measures() -> dict[str, Measure]:
    """Read how every analyte is named and measured in ocean data, by analyte."""
    return {
        r["analyte"]: Measure(
            r["analyte"],
            r["measure"],
            r["cf_standard_name"],
            r["ucum"],
            r["unit"],
            r["standing"],
        )
        for r in _rows("standards.csv")
    }
