"""A pool read some tanks at a time, in memory that does not grow with it.

The tables of a pool are sorted by tank, so the statistics of Parquet's row groups tell
where a range of tanks lies. Every row is read exactly once if every range is read once;
:attr:`PoolStream.rows` says how many there must be, so that statistics that lie are noticed.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, NamedTuple

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.logbook import Logbook
from maturity_model.pooling.problems import PoolError
from maturity_model.pooling.read import (
    Content,
    agree,
    as_logbook,
    check_schema,
    check_table,
    read_descriptor,
)
from maturity_model.pooling.tables import TableKind, tables

#: A row group that expands to more than this is not opened.
MAX_GROUP = 512 * 2**20
_KEY = "tank"
_CHUNK = 2**22


class TankRange(NamedTuple):
    """Tanks whose names lie in ``[low, high)``; None is no bound."""

    low: str | None
    high: str | None
    tanks: int


class PoolStream:
    """A pool, by ranges of tanks.

    Parameters
    ----------
    path : Path
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    check : bool
        Compare every file with the digest that the pool gives of it.

    Attributes
    ----------
    catalogue : Catalogue
        With the pool's own signs.
    rows : dict of str to int
        Rows by table, for those tables that are sorted by tank.
    sha256 : str
        Over the digests of the files, as the pool tells them.

    Raises
    ------
    PoolMismatch, PoolError
        As :func:`.read_pool`.
    """

    def __init__(self, path: Path, catalogue: Catalogue | None = None, *, check: bool = True):
        self.path = Path(path)
        base = catalogue or load_catalogue()
        about = read_descriptor(self.path)
        self.catalogue, self._names = agree(about, base)
        kinds = tables(base, self._names)
        try:
            told = {k.name: str(about["sha256"][f"{k.name}.parquet"]) for k in kinds}
        except KeyError as error:
            raise PoolError(f"{self.path} does not describe {str(error)[:40]}") from None
        if check:
            for name, digest in told.items():
                if _digest(self._file(name)) != digest:
                    raise PoolError(
                        f"{self._file(name)} is not the file that its descriptor describes; "
                        "fetch the pool again"
                    )
        self.sha256 = hashlib.sha256("".join(told.values()).encode()).hexdigest()
        self._kinds = tuple(k for k in kinds if any(c.name == _KEY for c in k.columns))
        self._groups = {k.name: self._bounds(k) for k in self._kinds}
        self.rows = {name: sum(g[2] for g in groups) for name, groups in self._groups.items()}

    def ranges(self, size: int) -> list[TankRange]:
        """Cut the tanks into ranges of ``size``; the last may hold fewer."""
        import pyarrow as pa
        import pyarrow.compute as pc
        import pyarrow.parquet as pq

        try:
            names = pq.read_table(self._file("tanks"), columns=[_KEY]).column(_KEY)
        except (pa.ArrowException, OSError) as error:
            raise PoolError(f"tanks cannot be read: {str(error)[:200]}") from None
        count = len(names)
        if names.null_count or (
            count > 1 and not pc.all(pc.less(names[: count - 1], names[1:])).as_py()
        ):
            raise PoolError(f"{self.path} is not sorted by tank; make it again with this version")
        edges: list[str | None] = [names[i].as_py() for i in range(0, count, size)]
        if not edges:
            return []
        last = count - size * (len(edges) - 1)
        edges[0] = None
        ends = [*edges[1:], None]
        counts = [size] * (len(edges) - 1) + [last]
        return [TankRange(*r) for r in zip(edges, ends, counts, strict=True)]

    def read(self, part: TankRange) -> tuple[Logbook, dict[str, int]]:
        """Read the tanks of a range; also how many rows of each table they have.

        Raises
        ------
        PoolError
            When rows break the pool's constraints.
        """
        content: Content = {}
        for kind in self._kinds:
            content[kind.name] = self._table(kind, part)
            check_table(kind, content[kind.name])
        rows = {name: len(table[_KEY]) for name, table in content.items()}
        if rows["tanks"] != part.tanks:
            raise PoolError(f"{self.path} changed while it was read")
        book = as_logbook(self.path, self.catalogue, self._names, content, self.sha256)
        return book, rows

    def _file(self, name: str) -> Path:
        return self.path / f"{name}.parquet"

    def _bounds(self, kind: TableKind) -> list[tuple[str | None, str | None, int]]:
        """Least and greatest tank, and rows, of each row group."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        out: list[tuple[str | None, str | None, int]] = []
        try:
            with pq.ParquetFile(self._file(kind.name)) as file:
                check_schema(kind, file.schema_arrow)
                column = file.schema_arrow.get_field_index(_KEY)
                for g in range(file.metadata.num_row_groups):
                    group = file.metadata.row_group(g)
                    if group.total_byte_size > MAX_GROUP:
                        raise PoolError(
                            f"a row group of {kind.name} expands to more than {MAX_GROUP >> 20} MB"
                        )
                    found = group.column(column).statistics
                    known = found is not None and found.has_min_max
                    bounds = (found.min, found.max) if known else (None, None)
                    out.append((*bounds, group.num_rows))
        except (pa.ArrowException, OSError) as error:
            raise PoolError(f"{kind.name} cannot be read: {str(error)[:200]}") from None
        return out

    def _table(self, kind: TableKind, part: TankRange) -> dict[str, list[Any]]:
        import pyarrow as pa
        import pyarrow.compute as pc
        import pyarrow.parquet as pq

        wanted = [
            g for g, (low, high, _) in enumerate(self._groups[kind.name])
            if (part.high is None or low is None or low < part.high)
            and (part.low is None or high is None or high >= part.low)
        ]  # fmt: skip
        pieces = []
        try:
            # One row group at a time, each cut at once: unpacked they are large.
            with pq.ParquetFile(self._file(kind.name)) as file:
                for g in wanted:
                    table = file.read_row_group(g, use_threads=False)
                    name = table.column(_KEY)
                    for bound, keep in ((part.low, pc.greater_equal), (part.high, pc.less)):
                        if bound is not None:
                            table = table.filter(keep(name, bound))
                            name = table.column(_KEY)
                    pieces.append(table)
                empty = file.schema_arrow.empty_table()
            whole = pa.concat_tables(pieces) if pieces else empty
        except (pa.ArrowException, OSError, IndexError) as error:
            raise PoolError(f"{kind.name} cannot be read: {str(error)[:200]}") from None
        return {c.name: whole.column(c.name).to_pylist() for c in kind.columns}


def _digest(path: Path) -> str:
    found = hashlib.sha256()
    try:
        with path.open("rb") as handle:
            while chunk := handle.read(_CHUNK):
                found.update(chunk)
    except OSError as error:
        raise PoolError(f"{path} cannot be read: {error.strerror or error}") from None
    return found.hexdigest()
