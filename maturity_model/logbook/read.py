"""Reading a whole logbook."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.catalogue.load import CHECKIN_COLUMNS, sign_columns
from maturity_model.logbook.checkins import IN_EVENTS, read_checkins
from maturity_model.logbook.columns import Context, Table
from maturity_model.logbook.days import merge_days
from maturity_model.logbook.entries import TABLES
from maturity_model.logbook.events import EVENT_COLUMNS, read_events
from maturity_model.logbook.files import RawTable, read_csv
from maturity_model.logbook.folder import LogbookFiles
from maturity_model.logbook.kit_table import KIT_COLUMNS, Kits, read_kits, report_unused
from maturity_model.logbook.problems import Collector, LogbookError, shown
from maturity_model.logbook.settings import SETTING_COLUMNS, read_settings, read_signs
from maturity_model.logbook.tanks import TANK_COLUMNS, read_tanks
from maturity_model.logbook.types import CheckIn, Logbook


def read_logbook(
    path: str | os.PathLike[str],
    catalogue: Catalogue | None = None,
    *,
    today: dt.date | None = None,
) -> Logbook:
    """Read and check a logbook.

    Parameters
    ----------
    path : str or path
        A folder with ``tanks.csv``, ``checkins.csv`` and, where there are any,
        ``events.csv``, ``kits.csv``, ``signs.csv`` and ``logbook.csv`` (or ``.tsv``); or with
        workbooks (``.xlsx``, ``.xlsm``, ``.ods``, ``.xls``) that hold sheets of these names;
        or such a workbook itself.
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    today : date, optional
        Later dates are refused. Default: the day on this computer's clock.

    Returns
    -------
    Logbook
        Every row is used, or refused with a problem that names its line; every cell
        that is not blank is used or stands in a problem; ``account`` counts them all.

    Raises
    ------
    LogbookError
        Where nothing can be read: no such folder, no usable table of tanks.
    """
    return Reader(Path(path), catalogue, today).read()


class Reader:
    """Reads one logbook once; afterwards it holds the context and kits of the reading.

    ``one_look_a_day=False`` leaves the check-ins of a day apart, row by row.
    """

    def __init__(
        self,
        path: Path,
        catalogue: Catalogue | None = None,
        today: dt.date | None = None,
        *,
        one_look_a_day: bool = True,
    ):
        self.one_look_a_day = one_look_a_day
        self.path = path
        self.problems = Collector()
        self.context = Context(
            catalogue or load_catalogue(), self.problems, today or dt.date.today()
        )
        self.files = LogbookFiles(path, self.problems)
        self.sheets: dict[str, RawTable] = {}
        self.tables: list[Table] = []
        self.kits = Kits(self.context)

    def read(self) -> Logbook:
        """Read everything; once."""
        self._workbooks()
        context = self.context
        if settings := self._table("logbook", SETTING_COLUMNS):
            read_settings(settings)
        if signs := self._table("signs", sign_columns(context.catalogue)):
            read_signs(signs)
        self._tanks()
        kit_table = self._table("kits", KIT_COLUMNS)
        if kit_table:
            self.kits = read_kits(kit_table)
        checkins = self._checkins()
        event_table = self._table("events", EVENT_COLUMNS)
        events = read_events(event_table) if event_table else []
        if context.tanks_unknown:
            raise LogbookError(self.problems.all())
        if kit_table:
            people = {t.keeper for t in context.tanks.values()} | {c.observer for c in checkins}
            report_unused(kit_table, self.kits, people)
        if self.one_look_a_day:
            checkins = merge_days(checkins, self.problems)
        return Logbook(
            path=self.path,
            catalogue=context.catalogue,
            tanks=context.tanks,
            checkins=tuple(sorted(checkins, key=lambda c: c.date)),
            events=tuple(sorted(events, key=lambda e: e.date)),
            kits=tuple(self.kits.kits),
            problems=self.problems.all(),
            entries=self.problems.entries(),
            asks_consent=context.asks_consent,
            consent_refused=tuple(context.consent_refused),
            rows=tuple(t.count() for t in self.tables),
            refused_tanks=tuple(context.refused),
            sha256=self.files.sha256(),
        )

    def entries_in_a_workbook(self) -> str | None:
        """The sheet that holds check-ins or events, to which nothing can be added, if one does."""
        tables = (t for t in ("checkins", "events") if t in self.sheets and t not in self.files.csv)
        return next((self.sheets[table].file for table in tables), None)

    def _workbooks(self) -> None:
        for file, data in self.files.books:
            from maturity_model.logbook.sheets import read_sheets  # slow to import

            for name, sheet in read_sheets(file, data, self.problems).items():
                if name in self.sheets:
                    self.problems.second(sheet.file, name, self.sheets[name].file)
                else:
                    self.sheets[name] = sheet

    def _raw(self, name: str, known: frozenset[str]) -> RawTable | None:
        """Find a table: the CSV file, else the sheet."""
        sheet = self.sheets.get(name)
        if name not in self.files.csv:
            return sheet
        file, data = self.files.csv[name]
        if sheet is not None:
            self.problems.second(sheet.file, name, file)
        return read_csv(name, file, data, known, self.problems)

    def _table(self, name: str, known: tuple[str, ...]) -> Table | None:
        names = frozenset(known)
        raw = self._raw(name, names)
        if raw is None:
            return None
        table = Table(raw, names, self.context)
        self.tables.append(table)
        return table

    def _tanks(self) -> None:
        table = self._table("tanks", TANK_COLUMNS)
        # The other tables are still read, so that one run lists the faults of all.
        self.context.tanks_unknown = table is None or bool(table.missing)
        if table is None:
            mend = "add a tanks.csv with the columns tank and started; the tables are "
            mend += ", ".join(f"{t}.csv" for t in TABLES)
            self.problems.logbook(shown(self.path.name), "has no table of tanks", mend)
            return
        read_tanks(table)
        if not self.context.tanks and not table.missing:
            what = "holds no tank that can be used"
            self.problems.file(table.file, what, "add one row for each tank")

    def _checkins(self) -> list[CheckIn]:
        catalogue = self.context.catalogue
        known = (*CHECKIN_COLUMNS, *IN_EVENTS, *catalogue.signs, *catalogue.analytes)
        table = self._table("checkins", known)
        if table is None:
            if "checkins" not in self.files.paths:
                mend = "add a checkins.csv with the columns tank, date and one for each sign"
                what = "has no table of check-ins"
                self.problems.settle_file(shown(self.path.name), what, mend)
            return []
        return read_checkins(table, self.kits)
