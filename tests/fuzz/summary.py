"""Write ``README.md`` beside the tables of a run: ``python -m tests.fuzz.summary reports/fuzz``."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from maturity_model.lab.page import markdown_table

COUNTS = ["read", "refused", "traceback", "unaccounted"]
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

## Kills

SIGKILL at random moments: a third evenly over the running time, a third as a file is half \
written, a third at the nth change of the folder. Each file must be the old or the new one, \
byte for byte (a fitted file: opened and whole); a rerun must end the job.

{kills}

## Again

    python -m tests.fuzz --count 20000 --seed 1 --out reports/fuzz/counts.csv
    python -m tests.fuzz.kills weekly=70 add=70 pair=25 pool=25 fit=10 \\
        --out reports/fuzz/kills.csv
    python -m tests.fuzz.summary reports/fuzz

The first stops at a block of a thousand with anything wrong and does not write it down; run \
again, it goes on behind the last block written.
"""


def text(folder: Path) -> str:
    """The page, from ``counts.csv`` and ``kills.csv``."""
    counts, kills = (pd.read_csv(folder / f"{name}.csv") for name in ("counts", "kills"))
    total = {name: int(counts[name].sum()) for name in COUNTS}
    by_kind = counts.groupby("kind", sort=False)[COUNTS].sum().reset_index()
    by_command = kills.groupby("command", sort=False)[KILLS].sum().reset_index()
    by_command.loc[len(by_command)] = ["all", *kills[KILLS].sum()]
    return PAGE.format(
        logbooks=total["read"] + total["refused"],
        **total,
        weekly=counts.groupby(["seed", "first"])["weekly_runs"].first().sum(),
        peak=counts["peak_mb"].max(),
        counts=markdown_table(by_kind.rename(columns={"traceback": "tracebacks"})),
        kills=markdown_table(by_command.rename(columns=lambda name: name.replace("_", " "))),
    )


if __name__ == "__main__":
    target = Path(sys.argv[1])
    (target / "README.md").write_text(text(target))
