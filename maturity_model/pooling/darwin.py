"""A pool as a Darwin Core archive: looks as events, signs as occurrences, readings as facts.

Terms: Darwin Core (TDWG), text guide; extension ExtendedMeasurementOrFact (OBIS). The core is
the event; ``occurrenceStatus`` uses ``detected`` and ``notDetected``, which the standard
recommends since 2026 in place of present and absent: a keeper records what was detected.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

from maturity_model.catalogue import LOOKS
from maturity_model.catalogue.standards import Measure, Taxon, load_measures, load_taxa
from maturity_model.logbook import Reading
from maturity_model.logbook.units import units_of
from maturity_model.pooling.logbook_arrays import LogbookArrays, as_written
from maturity_model.pooling.merge import Pool, PooledTank

_DWC = "http://rs.tdwg.org/dwc/terms/"
_OBIS = "http://rs.iobis.org/obis/terms/"
_EVENT = (
    "eventID", "parentEventID", "eventType", "eventDate", "samplingProtocol", "habitat",
    "datasetName",
)  # fmt: skip
_OCCURRENCE = (
    "eventID", "occurrenceID", "basisOfRecord", "occurrenceStatus", "scientificName",
    "scientificNameID", "taxonRank", "kingdom", "vernacularName", "degreeOfEstablishment",
)  # fmt: skip
_FACT = (
    "eventID", "measurementID", "measurementType", "measurementValue", "measurementUnit",
    "measurementMethod", "measurementRemarks",
)  # fmt: skip
#: Core first: file, row type, columns.
PARTS = (
    ("event.txt", f"{_DWC}Event", _EVENT),
    ("occurrence.txt", f"{_DWC}Occurrence", _OCCURRENCE),
    ("extendedmeasurementorfact.txt", f"{_OBIS}ExtendedMeasurementOrFact", _FACT),
)
_DATASET = "Pooled logs of marine aquaria"
_LOOKS = {
    "glance": "visual check, a glance",
    "careful": "visual check, careful",
    "torch": "visual check with a torch in the dark",
}
_STATUS = ("notDetected", "detected")
#: The same day in every archive, so that the same pool gives the same bytes.
_DAY = (1980, 1, 1, 0, 0, 0)


def write_archive(arrays: LogbookArrays, pool: Pool, path: Path) -> None:
    """Write the archive, a .zip file."""
    makers = (_events, _occurrences, _facts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for (name, _, columns), make in zip(PARTS, makers, strict=True):
            with archive.open(_member(name), "w", force_zip64=True) as raw:
                out = io.TextIOWrapper(raw, encoding="utf-8", newline="")
                out.write("\t".join(columns) + "\n")
                for row in make(arrays, pool):
                    # No cell holds a tab or a line break: all are codes, numbers or the
                    # catalogue's words.
                    out.write("\t".join(row) + "\n")
                out.flush()
                out.detach()
        archive.writestr(_member("meta.xml"), _meta())
        archive.writestr(_member("eml.xml"), _eml(pool))


def _member(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _DAY)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    info.create_system = 3
    return info


def date_range(started: dt.date, day: int) -> str:
    """Dates that a day of a tank may be, if only the month of its start is known (ISO 8601).

    The month of the day itself would, over many check-ins, betray the start.
    """
    first = started.replace(day=1)
    last = (first + dt.timedelta(days=31)).replace(day=1) - dt.timedelta(days=1)
    shift = dt.timedelta(days=day)
    return f"{first + shift}/{last + shift}"


def _looks(tank: PooledTank) -> Iterator[tuple[str, int]]:
    """Each check-in of a tank: the event's identifier, and its row."""
    for number, row in enumerate(tank.rows):
        yield f"{tank.name}:{number}", row


def _events(arrays: LogbookArrays, pool: Pool) -> Iterator[tuple[str, ...]]:
    for tank in pool.tanks:
        habitat = "marine aquarium" + (f", {tank.rock} rock" if tank.rock else "")
        yield (tank.name, "", "Survey", tank.start_month, "aquarium log", habitat, _DATASET)
        for event, row in _looks(tank):
            dates = date_range(tank.started, int(arrays.day[row]) - tank.started.toordinal())
            how = _LOOKS[LOOKS[arrays.look[row]]]
            yield event, tank.name, "Observation", dates, how, habitat, _DATASET


def _taxa(arrays: LogbookArrays) -> dict[str, Taxon]:
    """Signs that are observations of a taxon; the others are facts."""
    names, taxa = arrays.sign_names(), load_taxa()
    return {name: taxa[name] for name in names if name in taxa and taxa[name].scientific_name}


def _occurrences(arrays: LogbookArrays, pool: Pool) -> Iterator[tuple[str, ...]]:
    taxa, names = _taxa(arrays), arrays.sign_names()
    cells = {
        names.index(name): (
            taxon.scientific_name, taxon.name_id, taxon.rank, taxon.kingdom,
            arrays.catalogue.signs[name].label, "captive",
        )
        for name, taxon in taxa.items()
    }  # fmt: skip
    for tank in pool.tanks:
        for event, row in _looks(tank):
            answers = arrays.signs[row]
            for g, of_taxon in cells.items():
                if answers[g] >= 0:
                    status = _STATUS[answers[g]]
                    yield event, f"{event}:{names[g]}", "HumanObservation", status, *of_taxon


def _facts(arrays: LogbookArrays, pool: Pool) -> Iterator[tuple[str, ...]]:
    """Signs without a taxon, judged phases and readings, each as :func:`fact` returns it."""
    measures, taxa, phases = load_measures(), _taxa(arrays), list(arrays.catalogue.phases)
    no_taxon = [(g, name) for g, name in enumerate(arrays.sign_names()) if name not in taxa]
    readings: dict[tuple[str, int], tuple[str, ...]] = {}
    for tank in pool.tanks:
        for event, row in _looks(tank):
            for g, name in no_taxon:
                if (seen := arrays.signs[row, g]) >= 0:
                    said = (f"sign: {name}", _STATUS[seen], "", "visual check", "")
                    yield event, f"{event}:{name}", *said
            if (k := arrays.judged[row]) >= 0:
                judge = "judged by an experienced keeper"
                yield event, f"{event}:phase", "phase of maturity", phases[k], "", judge, ""
            for analyte, code in zip(
                arrays.catalogue.analytes, arrays.read[row].tolist(), strict=True
            ):
                if code < 0:
                    continue
                if (analyte, code) not in readings:
                    readings[analyte, code] = fact(measures[analyte], arrays.readings[code])
                yield event, f"{event}:{analyte}", *readings[analyte, code]


def fact(measure: Measure, reading: Reading) -> tuple[str, ...]:
    """Type, value, unit, method and remarks of one reading, in the exchanged unit."""
    one = units_of(measure.analyte)[measure.unit].convert(1.0)

    def shown(x: float) -> str:
        return f"{x / one:.6g}"

    sign, _ = as_written(reading)
    if sign == "<":
        value = f"<{shown(reading.high)}"
    elif sign == ">":
        value = f">{shown(reading.low)}"
    else:
        value = shown(reading.best)
    upper = "no upper bound" if reading.high == float("inf") else f"at most {shown(reading.high)}"
    remarks = f"{measure.measure}; true value at least {shown(reading.low)}, {upper}"
    kind = measure.cf_standard_name or measure.measure
    return kind, value, measure.ucum, reading.method.replace("_", " "), remarks


def _meta() -> str:
    blocks = []
    for i, (name, row_type, columns) in enumerate(PARTS):
        tag, key = ("core", "id") if i == 0 else ("extension", "coreid")
        fields = "\n".join(
            f'    <field index="{j}" term="{_DWC}{column}"/>' for j, column in enumerate(columns)
        )
        blocks.append(
            f'  <{tag} encoding="UTF-8" fieldsTerminatedBy="\\t" linesTerminatedBy="\\n" '
            f'fieldsEnclosedBy="" ignoreHeaderLines="1" rowType="{row_type}">\n'
            f"    <files><location>{name}</location></files>\n"
            f'    <{key} index="0"/>\n{fields}\n  </{tag}>'
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">\n'
        + "\n".join(blocks)
        + "\n</archive>\n"
    )


def _eml(pool: Pool) -> str:
    tanks = len(pool.tanks)
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0"
         packageId="maturity-model-pool" system="maturity-model" scope="system">
  <dataset>
    <title>{_DATASET}</title>
    <creator><organizationName>Clubs of aquarium keepers, by pseudonym</organizationName></creator>
    <abstract>
      <para>Check-ins of {tanks} captive marine aquaria: organisms detected or not detected by
      eye, test-kit readings with the interval in which the true value lies. Dates are ranges:
      of a tank's start only the month is given.</para>
    </abstract>
    <contact><organizationName>The clubs that made this pool</organizationName></contact>
  </dataset>
</eml:eml>
"""
