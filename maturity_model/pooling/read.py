"""Reading a pool: whole, or some tanks at a time in memory that does not grow with it.

The tables of a pool are sorted by tank, so Parquet's statistics show where some tanks that
follow each other lie. :attr:`PoolReader.rows` holds how many rows there must be of all tanks
together, so that wrong statistics and rows of no tank are noticed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.logbook import Logbook
from maturity_model.pooling.as_logbook import LAST_DAY, Content, as_logbook
from maturity_model.pooling.descriptor import (
    DESCRIPTOR,
    agree,
    check_schema,
    check_table,
    read_descriptor,
)
from maturity_model.pooling.logbook_arrays import MOST
from maturity_model.pooling.problems import PoolError
from maturity_model.pooling.tables import ARROW, TableKind, tables
from maturity_model.whole_files import file_sha256

#: Bounds of a pool that is read whole: bytes of a table, packed and expanded, and rows.
_MAX_EXPANDED = 2 * 2**30
_MAX_ROWS = {
    "tanks": MOST["tanks"], "checkins": MOST["check-ins"], "readings": 8 * MOST["check-ins"],
    "events": MOST["events"], "kits": 8 * MOST["tanks"],
}  # fmt: skip
#: A row group that expands to more than this is not opened.
_MAX_GROUP = 256 * 2**20
#: Bytes of a cell once read; and how many times its file a table may expand to (as pools are
#: written it is up to 33 times), unless it is small.
_CELL, _MAX_RATIO, _SMALL = 8, 300, 16 * 2**20
#: Characters of the longest text in a cell.
_MAX_TEXT = 1_000
_KEY = "tank"


def is_pool(path: Path) -> bool:
    """Whether a folder claims to be a pool."""
    return (path / DESCRIPTOR).is_file() and (path / "tanks.parquet").is_file()


def read_pool(
    path: str | Path, catalogue: Catalogue | None = None, *, ends: dt.date = LAST_DAY
) -> Logbook:
    """Read a pool as a logbook, for the pooled fit.

    Parameters
    ----------
    path : str or path
        The folder that ``maturity-model pool`` wrote.
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    ends : date, optional
        The day on which every tank's log is laid to end. Dates in the result mean nothing
        but days since a tank's start.

    Returns
    -------
    Logbook
        Its panel has the likelihood of the logbooks that were pooled.

    Raises
    ------
    PoolMismatch
        When the pool's codes are not those of the catalogue.
    PoolError
        When it is no whole pool.
    """
    return PoolReader(Path(path), catalogue).read_all(ends)


class PoolReader:
    """A pool, whole or by some tanks at a time; raises what :func:`read_pool` raises.

    ``check`` compares every file with the digest that the pool gives of it.

    Attributes
    ----------
    catalogue : Catalogue
        With the pool's own signs.
    rows : dict of str to int
        Rows by table, for those tables that are sorted by tank.
    sha256 : str
        Over the digests of the files and of the descriptor, as it gives them.
    """

    def __init__(self, path: Path, catalogue: Catalogue | None = None, *, check: bool = True):
        self.path = Path(path)
        base = catalogue or load_catalogue()
        about = read_descriptor(self.path)
        self.catalogue, self._names = agree(about, base)
        kinds = tables(base, self._names)
        try:
            digests = {k.name: str(about["sha256"][f"{k.name}.parquet"]) for k in kinds}
        except (KeyError, TypeError):
            raise PoolError(f"{self.path} does not describe all of its tables") from None
        for name, digest in digests.items() if check else ():
            with _reading(name):
                found = file_sha256(self._file(name))
            if found != digest:
                raise PoolError(
                    f"{self._file(name)} is not the file that {DESCRIPTOR} describes; fetch the "
                    "pool again"
                )
        stated = "".join(digests.values()) + str(about.get("digest", ""))
        self.sha256 = hashlib.sha256(stated.encode()).hexdigest()
        self._kinds = kinds
        self._by_tank = [k for k in kinds if any(c.name == _KEY for c in k.columns)]
        self._sizes = {k.name: self._measure(k) for k in kinds}
        self.rows = {k.name: self._sizes[k.name][0] for k in self._by_tank}

    def read_all(self, ends: dt.date = LAST_DAY) -> Logbook:
        """Read the whole pool; see :func:`read_pool`."""
        content: Content = {}
        for kind in self._kinds:
            rows, size = self._sizes[kind.name]
            if rows > _MAX_ROWS[kind.name]:
                raise PoolError(f"{kind.name} has more than {_MAX_ROWS[kind.name]:,} rows")
            if size > _MAX_EXPANDED:
                raise PoolError(f"{kind.name} expands to more than {_MAX_EXPANDED >> 20} MB")
            content[kind.name] = self._table(kind)
        return as_logbook(self.path, self.catalogue, self._names, content, self.sha256, ends)

    def tank_names(self) -> list[str]:
        """Tanks of the pool, in order."""
        names = self._columns(self._by_tank[0], [_KEY])[_KEY]
        if None in names or any(a >= b for a, b in pairwise(names)):
            raise PoolError(f"{self.path} is not sorted by tank; make it again with this version")
        return names

    def read(self, tanks: Sequence[str]) -> tuple[Logbook, dict[str, int]]:
        """Read some tanks that follow each other; also how many rows of each table they have."""
        content = {kind.name: self._table(kind, tanks) for kind in self._by_tank}
        rows = {name: len(table[_KEY]) for name, table in content.items()}
        if content["tanks"][_KEY] != list(tanks):
            raise PoolError(f"{self.path} changed while it was read")
        book = as_logbook(self.path, self.catalogue, self._names, content, self.sha256)
        return book, rows

    def _file(self, name: str) -> Path:
        return self.path / f"{name}.parquet"

    def _measure(self, kind: TableKind) -> tuple[int, int]:
        """Rows of a table, and bytes of its file and of what that says that it expands to."""
        import pyarrow.parquet as pq

        path = self._file(kind.name)
        with _reading(kind.name), pq.ParquetFile(path) as file:
            check_schema(kind, file.schema_arrow)
            rows, size = 0, path.stat().st_size
            most = max(_SMALL, _MAX_RATIO * size)
            for g in range(file.metadata.num_row_groups):
                group = file.metadata.row_group(g)
                here = max(group.total_byte_size, _CELL * group.num_rows * len(kind.columns))
                rows, size = rows + group.num_rows, size + here
                if here > _MAX_GROUP or size > most or group.num_rows < 0:
                    raise PoolError(
                        f"a row group of {kind.name} expands to {here >> 20} MB, more than a pool's"
                    )
        return rows, size

    def _table(self, kind: TableKind, tanks: Sequence[str] = ()) -> dict[str, list[Any]]:
        """Rows from the first to the last of some tanks, or all, checked."""
        within = [(_KEY, ">=", tanks[0]), (_KEY, "<=", tanks[-1])] if tanks else None
        out = self._columns(kind, [c.name for c in kind.columns], within)
        check_table(kind, out)
        return out

    def _columns(
        self, kind: TableKind, names: list[str], within: list[tuple[str, str, str]] | None = None
    ) -> dict[str, list[Any]]:
        """Some columns of the rows that lie within some bounds."""
        import pyarrow.parquet as pq

        # Texts stay in their dictionaries, since one may stand in every row.
        texts = [c.name for c in kind.columns if ARROW[c.type] == "string"]
        with _reading(kind.name):
            table = pq.read_table(
                self._file(kind.name), columns=names, filters=within, read_dictionary=texts,
                use_threads=False, partitioning=None,
            )  # fmt: skip
            return {name: _cells(table.column(name)) for name in names}


def _cells(column: Any) -> list[Any]:
    """Cells of a column as Python objects; equal texts of a dictionary are one object."""
    import pyarrow as pa

    if not pa.types.is_dictionary(column.type):
        return list(column.to_pylist())
    out: list[str | None] = []
    for chunk in column.chunks:
        words = chunk.dictionary.to_pylist()
        if any(word is not None and len(word) > _MAX_TEXT for word in words):
            raise PoolError(f"a cell holds more than {_MAX_TEXT} characters")
        out += [None if i is None else words[i] for i in chunk.indices.to_pylist()]
    return out


@contextmanager
def _reading(name: str) -> Iterator[None]:
    """Turn whatever goes wrong in reading a Parquet file into a PoolError."""
    try:
        yield
    except PoolError:
        raise
    except Exception as error:
        # On a damaged file pyarrow raises its own errors, and Unicode and other errors too.
        why = " ".join(str(error).split())[:200] or type(error).__name__
        raise PoolError(f"{name} cannot be read: {why}") from None
