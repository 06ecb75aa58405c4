"""The pool as libraries made for its formats read it."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from pooling.pooled_logs import CATALOGUE, DEMO, pool

from maturity_model.catalogue.standards import load_measures, load_taxa
from maturity_model.logbook import Reading, read_logbook
from maturity_model.logbook.units import ATOMIC_WEIGHT, find_unit
from maturity_model.pooling.darwin import fact

pytestmark = pytest.mark.reference
DWC = "http://rs.tdwg.org/dwc/terms/"


@pytest.fixture(scope="module", autouse=True)
def _csv_limit() -> Iterator[None]:
    # Libraries raise it for the whole process; other tests count on what Python sets.
    limit = csv.field_size_limit()
    yield
    csv.field_size_limit(limit)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, need: Callable[[str], ModuleType]) -> Path:
    need("pyarrow")
    out = tmp_path_factory.mktemp("formats") / "pool"
    pool(out, DEMO)
    return out


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_frictionless_finds_the_package_valid(
    made: Path, need: Callable[[str], ModuleType]
) -> None:
    # frictionless-py: descriptor, types, constraints, primary and foreign keys.
    frictionless = need("frictionless")
    found = frictionless.Package(str(made / "datapackage.json")).validate()
    assert found.valid, found.flatten(["taskName", "type", "note"])[:5]
    book = read_logbook(DEMO)
    rows = {task.name: task.stats["rows"] for task in found.tasks}
    assert rows["tanks"] == len(book.tanks)
    assert rows["checkins"] == len(book.checkins)
    assert rows["readings"] == sum(len(c.readings) for c in book.checkins)
    assert rows["events"] == len(book.events)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_frictionless_finds_what_is_wrong(
    made: Path, tmp_path: Path, need: Callable[[str], ModuleType]
) -> None:
    # Were its checks not run, the test above would say nothing.
    frictionless, pq = need("frictionless"), need("pyarrow.parquet")
    pa = need("pyarrow")
    for path in made.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    table = pq.read_table(tmp_path / "tanks.parquet")
    rock = pa.array(["chalk", *table["rock"].to_pylist()[1:]])
    keeper = pa.array(["Ann", *table["keeper"].to_pylist()[1:]])
    table = table.set_column(table.schema.get_field_index("rock"), "rock", rock)
    table = table.set_column(table.schema.get_field_index("keeper"), "keeper", keeper)
    pq.write_table(table.slice(0, 5), tmp_path / "tanks.parquet")
    found = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    assert not found.valid
    kinds = {kind for (kind,) in found.flatten(["type"])}
    assert {"constraint-error", "foreign-key"} <= kinds


def test_every_column_is_described(made: Path) -> None:
    about = json.loads((made / "datapackage.json").read_text("utf-8"))
    assert about["name"] == "maturity-model-pool"
    for resource in about["resources"]:
        for field in resource["schema"]["fields"]:
            assert field["description"]
    units = about["maturity_model"]["units"]
    assert units["nitrate"]["cf_standard_name"] == "mole_concentration_of_nitrate_in_sea_water"
    assert units["ph"]["cf_standard_name"] is None


def archive_rows(made: Path, need: Callable[[str], ModuleType]) -> tuple[Any, list[Any]]:
    reader = need("dwca.read")
    with reader.DwCAReader(str(made / "darwin_core.zip")) as archive:
        return archive.descriptor, [(r.data, r.extensions) for r in archive.rows]


def test_dwca_reader_reads_every_look_and_answer(
    made: Path, need: Callable[[str], ModuleType]
) -> None:
    # python-dwca-reader: follows meta.xml, joins the extensions to the core.
    descriptor, rows = archive_rows(made, need)
    assert descriptor.core.type == f"{DWC}Event"
    book = read_logbook(DEMO)
    assert len(rows) == len(book.tanks) + len(book.checkins)
    kinds = Counter(e.rowtype for _, extensions in rows for e in extensions)
    taxa = load_taxa()
    named = [
        (name, seen)
        for c in book.checkins
        for name, seen in c.signs.items()
        if name in taxa and taxa[name].scientific_name
    ]
    assert kinds[f"{DWC}Occurrence"] == len(named)
    found = Counter(
        (e.data[f"{DWC}vernacularName"], e.data[f"{DWC}occurrenceStatus"])
        for _, extensions in rows
        for e in extensions
        if e.rowtype == f"{DWC}Occurrence"
    )
    assert found == Counter(
        (CATALOGUE.signs[name].label, "detected" if seen else "notDetected") for name, seen in named
    )
    facts = sum(
        len(c.readings) + (c.judged_phase is not None)
        + sum(1 for s in c.signs if s not in taxa or not taxa[s].scientific_name)
        for c in book.checkins
    )  # fmt: skip
    assert kinds["http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"] == facts


def test_every_term_is_darwin_cores(made: Path, need: Callable[[str], ModuleType]) -> None:
    # The list of terms that python-dwca-reader ships.
    known = set(need("dwca.darwincore.terms").TERMS)
    descriptor, _ = archive_rows(made, need)
    parts = [descriptor.core, *descriptor.extensions]
    # Its list leaves out the class MeasurementOrFact and newer terms; these are in the list
    # of dwcahandler 1.1.5, which cannot be installed beside this project's pandas.
    facts = "ID Type Value Unit Method Remarks".split()
    other = {f"{DWC}measurement{word}" for word in facts}
    other |= {f"{DWC}degreeOfEstablishment", f"{DWC}eventType"}
    for part in parts:
        assert {f["term"] for f in part.fields} - known <= other


def test_identifiers_and_dates(made: Path, need: Callable[[str], ModuleType]) -> None:
    _, rows = archive_rows(made, need)
    events = [data for data, _ in rows]
    names = [e[f"{DWC}eventID"] for e in events]
    assert len(set(names)) == len(names)
    assert {e[f"{DWC}parentEventID"] for e in events} - {""} <= set(names)
    dates = re.compile(r"\d{4}-\d\d|\d{4}-\d\d-\d\d/\d{4}-\d\d-\d\d")
    assert all(dates.fullmatch(e[f"{DWC}eventDate"]) for e in events)
    for term in ("occurrenceID", "measurementID"):
        found = [
            e.data[DWC + term]
            for _, extensions in rows for e in extensions if DWC + term in e.data
        ]  # fmt: skip
        assert len(set(found)) == len(found) > 0


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_metapype_finds_the_metadata_valid(made: Path, need: Callable[[str], ModuleType]) -> None:
    # metapype (Environmental Data Initiative): rules of EML 2.2.0.
    need("metapype")
    reader, rules = need("metapype.model.metapype_io"), need("metapype.eml.validate")
    with zipfile.ZipFile(made / "darwin_core.zip") as archive:
        text = archive.read("eml.xml").decode()
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    errors: list[Any] = []
    rules.tree(reader.from_xml(text), errors)
    assert errors == []
    rules.tree(reader.from_xml(text.replace("title>", "tilte>")), errors)
    assert errors


def test_readings_in_exchanged_units() -> None:
    # 62.004 mg/L of nitrate is 1 mmol/L (IUPAC 2021 weights).
    molar = ATOMIC_WEIGHT["N"] + 3 * ATOMIC_WEIGHT["O"]
    measures = load_measures()
    one = Reading(str(molar), molar * 0.9, molar * 1.1, molar, "mg/L NO3", "photometer")
    kind, value, unit, method, remarks = fact(measures["nitrate"], one)
    assert (kind, value) == ("mole_concentration_of_nitrate_in_sea_water", "1000")
    assert (unit, method) == ("umol/L", "photometer")
    assert remarks == "nitrate; true value at least 900, at most 1100"
    below = Reading("<0.25", 0.0, 0.25, 0.125, "mg/L NH4", "colour_chart")
    assert fact(measures["ammonia"], below)[1].startswith("<13.8")
    above = Reading(">8", 8.0, float("inf"), 8.0, "[pH]", "strip")
    kind, value, _, _, remarks = fact(measures["ph"], above)
    assert kind.startswith("pH, NBS scale")
    assert (value, remarks[-14:]) == (">8", "no upper bound")


def test_taxa_and_measures_cover_the_catalogue() -> None:
    taxa, measures = load_taxa(), load_measures()
    assert list(taxa) == list(CATALOGUE.signs)
    assert list(measures) == list(CATALOGUE.analytes)
    for name, taxon in taxa.items():
        assert bool(taxon.scientific_name) == bool(taxon.rank) == bool(taxon.standing)
        # A number that was verified is the one that the catalogue has.
        assert taxon.aphia_id == CATALOGUE.signs[name].aphia_id
        assert bool(taxon.aphia_id) == ("read at the source" in taxon.standing)
    for name, measure in measures.items():
        assert find_unit(name, measure.unit) is not None
        assert re.fullmatch("[a-z_]*", measure.cf_standard_name)
    # AphiaIDs of the World Register of Marine Species, read at the source.
    assert taxa["amphipods"].name_id == "urn:lsid:marinespecies.org:taxname:1135"
    assert (taxa["copepods"].aphia_id, taxa["diatoms"].aphia_id) == ("1080", "148899")
