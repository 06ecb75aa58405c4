"""Making a pool of logbooks: the command ``maturity-model pool`` without its options."""

from __future__ import annotations

import importlib.util
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Logbook, LogbookError, Problem, read_logbook
from maturity_model.logbook.problems import shown
from maturity_model.pooling.anonymity import PUBLISHED, count_groups, counted
from maturity_model.pooling.duplicates import Pair
from maturity_model.pooling.logbook_arrays import MOST, LogbookArrays
from maturity_model.pooling.merge import Pool, merge
from maturity_model.pooling.problems import PoolError
from maturity_model.pooling.pseudonyms import load_key
from maturity_model.pooling.read import is_pool
from maturity_model.pooling.unread_consent import unread_consent
from maturity_model.pooling.write import FILES, write_pool
from maturity_model.whole_files import new_folder, recover_folder

#: Problems listed for one club; the rest is counted.
MAX_LISTED = 20


@dataclass(frozen=True)
class ClubReport:
    """What became of one logbook, with messages for its first problems.

    ``withheld`` is the message for what was not read and may hold a no, so that none of its
    tanks is pooled. With ``on_your_word`` it has no column ``consent``, so the person who pools
    answers for its keepers.
    """

    label: str
    summary: str
    lines: tuple[str, ...]
    readable: bool = True
    withheld: str = ""
    on_your_word: bool = False


@dataclass(frozen=True)
class PoolReport:
    """What became of all logbooks; it names tanks, so it must stay with the pool's maker.

    ``new_key`` is the key file, if it was made for this pool.
    """

    clubs: tuple[ClubReport, ...]
    pool: Pool
    arrays: LogbookArrays
    new_key: Path | None
    consent_default: bool | None


def make_pool(
    paths: list[Path],
    out: Path,
    *,
    key_file: Path | None = None,
    consent_default: bool | None = None,
    progress: Callable[[str], None] = lambda message: None,
) -> PoolReport:
    """Pool logbooks into a folder, which is replaced as a whole; not if no tank is left.

    Parameters
    ----------
    paths : list of Path
        Logbooks.
    out : Path
        The pool: not there yet, empty, or an older pool.
    key_file : Path, optional
        Default: ``<out>.key`` beside the pool. Made where it does not exist and a pool is
        written.
    consent_default : bool, optional
        See :func:`.merge.merge`.
    progress : callable, optional

    Raises
    ------
    PoolError
        When no pool can be made; an older one is then as it was.
    OSError
        When it cannot be written.
    """
    out = Path(os.path.abspath(out))
    if importlib.util.find_spec("pyarrow") is None:
        raise PoolError(
            "pyarrow is not installed; pools need the extra: pip install 'maturity-model[pool]'"
        )
    key_path = Path(os.path.abspath(key_file or out.with_name(f"{out.name}.key")))
    labels = _labels(paths)
    _check_places(paths, out, key_path)
    arrays, clubs = _read_clubs(labels, progress)
    key, made = load_key(key_path)
    new_key = None
    try:
        progress("looking for tanks that are in two logbooks")
        arrays.finish()
        pool = merge(arrays, key, consent_default=consent_default)
        if pool.tanks:
            progress("writing")
            with new_folder(out) as folder:
                write_pool(arrays, pool, folder)
            new_key = key_path if made else None
    finally:
        if made and not new_key:
            key_path.unlink(missing_ok=True)
    return PoolReport(tuple(clubs), pool, arrays, new_key, consent_default)


def _read_clubs(
    labels: dict[Path, str], progress: Callable[[str], None]
) -> tuple[LogbookArrays, list[ClubReport]]:
    arrays, clubs = LogbookArrays(load_catalogue()), []
    for i, (path, label) in enumerate(labels.items(), 1):
        progress(f"reading {shown(label)} ({i} of {len(labels)})")
        try:
            book = read_logbook(path)
        except LogbookError as error:
            lines = tuple(str(p) for p in error.problems[:MAX_LISTED])
            clubs.append(ClubReport(shown(label), "", lines, readable=False))
            continue
        hidden = unread_consent(book)
        clubs.append(_report(label, book, hidden))
        arrays.add(book, label, withheld=hidden is not None)
    return arrays, clubs


def _report(label: str, book: Logbook, hidden: Problem | None) -> ClubReport:
    errors = [p for p in book.problems if p.severity == "error" and p is not hidden]
    lines = [str(p) for p in errors[:MAX_LISTED]]
    if len(errors) > MAX_LISTED:
        lines.append(f"... and {len(errors) - MAX_LISTED} more problems")
    read, used, refused = (
        sum(getattr(r, what) for r in book.rows) for what in ("read", "used", "refused")
    )
    summary = f"{counted(read, 'row')} read, {used} used, {refused} reported"
    if unread := sum(entry.fate == "refused" for entry in book.entries):
        summary += f", {counted(unread, 'file or sheet', 'files or sheets')} refused"
    return ClubReport(
        shown(label),
        f"{summary}; {counted(len(book.tanks), 'tank')}",
        tuple(lines),
        withheld=str(hidden) if hidden else "",
        on_your_word=not book.asks_consent,
    )


def _labels(paths: list[Path]) -> dict[Path, str]:
    """Name each logbook by its folder or file; where two are called the same, with the one above.

    The label goes into the pseudonyms, so it must not depend on the order of the arguments.
    """
    if len(paths) > MOST["clubs"]:
        raise PoolError(f"more than {MOST['clubs']} logbooks: make several pools")
    real = list(dict.fromkeys(Path(os.path.realpath(p)) for p in paths))
    if len(real) < len(paths):
        raise PoolError("the same logbook is given twice")
    short = {p: p.stem if p.suffix.lower() == ".xlsx" else p.name for p in real}
    for _ in range(50):
        counts = Counter(short.values())
        if max(counts.values(), default=1) == 1:
            break
        short = {
            p: "/".join(p.with_suffix("").parts[-label.count("/") - 2 :])
            if counts[label] > 1 else label
            for p, label in short.items()
        }  # fmt: skip
    return short


def _check_places(paths: list[Path], out: Path, key: Path) -> None:
    real = Path(os.path.realpath(out))
    if Path(os.path.realpath(key)).is_relative_to(real):
        raise PoolError(f"the key file {key} would lie inside the pool; keep it elsewhere")
    for path in paths:
        club = Path(os.path.realpath(path))
        if club.is_relative_to(real) or (real.is_relative_to(club) and club.is_dir()):
            raise PoolError(f"the pool {out} and the logbook {path} may not lie in each other")
    recover_folder(out)
    if not os.path.lexists(out):
        return
    if out.is_symlink() or not out.is_dir():
        raise PoolError(f"{out} is there and is not a pool")
    inside = sorted(os.listdir(out))
    strange = [name for name in inside if name not in FILES]
    if strange or (inside and not is_pool(out)):
        what = f"it holds {strange[0][:80]!r}" if strange else "files are missing"
        raise PoolError(f"{out} is there and is not a pool ({what}); name another folder")


def report_lines(report: PoolReport) -> list[str]:
    """Say what became of each logbook and of the duplicates, and what the pool reveals."""
    pool, lines = report.pool, []
    refused = iter(pool.refused)
    for club in report.clubs:
        if club.readable:
            lines += _club_lines(club, next(refused), report.consent_default)
        else:
            lines.append(f"{club.label}: cannot be read, and is not in the pool")
    if count := pool.could_be_refused:
        tanks = "a tank" if count == 1 else "tanks"
        lines.append(
            f"left out: {count} of these could be {tanks} whose keeper said no, or may have, in "
            "another row or log"
        )
    if count := pool.without_checkins:
        lines.append(f"left out: {counted(count, 'tank')} without a check-in")
    lines += [
        f"merged: {_pair(report, pair)} are one tank: {counted(pair.shared, 'answer')} alike"
        for pair in pool.merged_pairs
    ]
    lines += [
        f"kept apart: {_pair(report, pair)} have {counted(pair.shared, 'answer')} alike and "
        f"{pair.contradicting} not; if they are one tank, remove one"
        for pair in pool.kept_apart
    ]
    return [*lines, _outcome(pool, report.consent_default)]


def _club_lines(club: ClubReport, refused: int, consent_default: bool | None) -> list[str]:
    line = f"{club.label}: {club.summary}"
    if club.withheld:
        return [f"{line}, not pooled"]
    lines = [line + (f", {refused} left out without consent" if refused else "")]
    if club.on_your_word and consent_default is None:
        lines.append(
            f"{club.label}: no column consent, so its keepers' consent is taken on your word; "
            "--consent-default no leaves such tanks out"
        )
    return lines


def _outcome(pool: Pool, consent_default: bool | None) -> str:
    """Say what the pool reveals, or why there is none."""
    if pool.tanks:
        groups = count_groups(pool, PUBLISHED)
        return (
            f"{counted(len(pool.tanks), 'tank')} pooled; grouped by all that is published, the "
            f"smallest group has {counted(groups.smallest, 'tank')}, and {groups.alone} "
            f"{'is alone in its group' if groups.alone == 1 else 'are alone in their groups'}"
        )
    line = "no tank is left to pool, so no pool was written"
    if consent_default is None and (count := pool.silent):
        line += (
            f"; {counted(count, 'tank')} {'says' if count == 1 else 'say'} neither yes nor no: ask "
            "the keepers, or, if you have a yes from each of them elsewhere, say "
            "--consent-default yes"
        )
    return line


def _pair(report: PoolReport, pair: Pair) -> str:
    def name(tank: int) -> str:
        return f"{shown(report.arrays.tanks[tank].name)} ({shown(report.arrays.label(tank))})"

    return f"{name(pair.first)} and {name(pair.second)}"
