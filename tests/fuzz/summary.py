"""Write ``README.md`` beside the tables of a run: ``python -m tests.fuzz.summary reports/fuzz``."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from maturity_model.lab.page import markdown_table

COUNTS = ["read", "refused", "traceback", "unaccounted"]
FOREIGN = ["refused", "same_numbers", "other_numbers", "failed"]
KILLS = ["kills", "while_writing", "before_anything_new", "reruns", "broken"]
PAGE = """# Broken logbooks and killed commands

Each logbook is written by a seeded generator (`tests/fuzz`), then read and laid on the weekly \
grid; its rows are counted by a second CSV splitter that shares nothing with the reader. Every \
row must be used or reported, every answer of a used row too, and the grid must hold as many \
observations as the log.

{logbooks:,} logbooks: {read:,} read, {refused:,} refused as a whole with a message, {traceback} \
tracebacks, {unaccounted} with a row unaccounted for. {weekly} of them went through the whole \
weekly command too: nothing outside the output folder, no script unescaped. Most memory held: \
{peak} MB.

{counts}

## Files added, entries corrected

Each file goes into a logbook with kits in several units; half of its rows repeat or contradict \
the log's, observers begin like formulas or are 80 letters long, tanks are spelled otherwise. \
Then a random entry is corrected. What is refused must change nothing and say where and how to \
mend it; what is added must be in the log, cell for cell by the second splitter, be used when \
it is read, change nothing when it is added again, and leave the old table in the backup. \
{files:,} files: {lost} with anything wrong.

{adds}

## Files from elsewhere

Populations of today and of version 0.1, and pools: bits flipped, blocks cut, moved, blanked, lost \
or added, headers and tables that claim other sizes and types, in half of the kinds with digests \
made to fit. A child process reads them. Each must be refused in one line or give the same \
numbers; others only where the digest fits, or the file is of version 0.1 and a warning says so. \
{foreign:,} files: {failed} ended in a signal or a traceback; most memory held: {foreign_peak} MB.

{foreign_files}

## Kills

SIGKILL at random moments: a third evenly over the running time, a third as a file is half \
written, a third at the nth change of the folder. Each file must be the old or the new one, \
byte for byte (a fitted file: opened and whole); a rerun must end the job.

{kills}

## Again

    python -m tests.fuzz --count 20000 --seed 1 --out reports/fuzz/counts.csv
    python -m tests.fuzz.adds --count 5000 --out reports/fuzz/adds.csv
    python -m tests.fuzz.foreign_files --count 504 --out reports/fuzz/foreign_files.csv
    python -m tests.fuzz.kills weekly=70 add=70 pair=25 pool=25 fit=10 \\
        --out reports/fuzz/kills.csv
    python -m tests.fuzz.summary reports/fuzz

The first stops at a block of a thousand with anything wrong and does not write it down; run \
again, it goes on behind the last block written.
"""


def _said(name: str) -> str:
    return name.replace("_", " ")


def text(folder: Path) -> str:
    """The page, from the tables of the four runs."""
    names = ("counts", "adds", "foreign_files", "kills")
    counts, adds, foreign, kills = (pd.read_csv(folder / f"{name}.csv") for name in names)
    total = {name: int(counts[name].sum()) for name in COUNTS}
    by_kind = counts.groupby("kind", sort=False)[COUNTS].sum().reset_index()
    by_command = kills.groupby("command", sort=False)[KILLS].sum().reset_index()
    by_command.loc[len(by_command)] = ["all", *kills[KILLS].sum()]
    return PAGE.format(
        logbooks=total["read"] + total["refused"],
        **total,
        weekly=counts.groupby(["seed", "first"])["weekly_runs"].first().sum(),
        peak=counts["peak_mb"].max(),
        foreign=foreign[FOREIGN].sum().sum(),
        failed=foreign["failed"].sum(),
        foreign_peak=foreign["peak_mb"].max(),
        foreign_files=markdown_table(foreign[["kind", *FOREIGN]].rename(columns=_said)),
        counts=markdown_table(by_kind.rename(columns={"traceback": "tracebacks"})),
        files=adds["added"].sum() + adds["refused"].sum(),
        lost=adds["unaccounted"].max(),
        adds=markdown_table(adds.drop(columns="unaccounted").rename(columns=_said)),
        kills=markdown_table(by_command.rename(columns=_said)),
    )


if __name__ == "__main__":
    target = Path(sys.argv[1])
    (target / "README.md").write_text(text(target))
