"""Write ``README.md`` beside the tables of a run: ``python -m tests.fuzz.summary reports/fuzz``."""

from __future__ import annotations

import csv
import sys
from collections import Counter
from pathlib import Path

FOUND = (
    "A folder, a pipe or a dangling link named as a table was passed over in silence.",
    "A tank started in 1970 took 3 GB; now logs of more than 520 weeks use fewer draws.",
    "One line of 60 MB of separators took 1.4 GB; it is refused before it is cut.",
    "A stray cell a million rows down took most of a minute; blank rows are skipped at once.",
    "Error cells without a value were each looked for 10,000 bytes ahead.",
    "A file saved by another program while it was read could be taken for whole.",
    "Half-written files of a killed weekly run stayed, and so did half-written backups of a "
    "killed add (5 of 80 kills before the mend, which the table leaves out).",
)


def _rows(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        return []
    with path.open(newline="") as handle:
        return list(csv.DictReader(handle))


def text(folder: Path) -> str:
    """The page, from ``counts.csv`` and ``kills.csv``."""
    counts, kills = _rows(folder / "counts.csv"), _rows(folder / "kills.csv")
    seen: dict[str, Counter[str]] = {}
    blocks = {(r["seed"], r["first"]): r for r in counts}
    for row in counts:
        for column in ("read", "refused", "traceback", "unaccounted"):
            seen.setdefault(row["kind"], Counter())[column] += int(row[column])
    total = sum(seen.values(), Counter())
    weekly = sum(int(r["weekly_runs"]) for r in blocks.values())
    peak = max((int(r["peak_mb"]) for r in counts), default=0)
    lines = [
        "# Broken logbooks and killed commands",
        "",
        "Each logbook is written by a seeded generator (`tests/fuzz`), then read and laid on the "
        "weekly grid; its rows are counted by a second CSV splitter that shares nothing with the "
        "reader. Every row must be used or reported, every answer of a used row too, and the "
        "grid must hold as many observations as the log.",
        "",
        f"{total['read'] + total['refused']:,} logbooks: {total['read']:,} read, "
        f"{total['refused']:,} refused as a whole with a message, {total['traceback']} "
        f"tracebacks, {total['unaccounted']} with a row unaccounted for. {weekly} of them went "
        "through the whole weekly command too: nothing outside the output folder, no script "
        f"unescaped. Most memory held: {peak} MB.",
        "",
        "| kind | read | refused | tracebacks | unaccounted |",
        "|---|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {kind} | {c['read']} | {c['refused']} | {c['traceback']} | {c['unaccounted']} |"
        for kind, c in seen.items()
    ]
    lines += [
        "",
        "## Kills",
        "",
        "SIGKILL at random moments: a third evenly over the running time, a third as a file is "
        "half written, a third at the nth change of the folder. Each file must be the old or the "
        "new one, byte for byte (a fitted file: opened and whole); a rerun must end the job.",
        "",
        "| command | kills | while writing | before anything new | reruns | broken |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    names = ("kills", "while_writing", "before_anything_new", "reruns", "broken")
    for command in dict.fromkeys(r["command"] for r in kills):
        sums = [sum(int(r[n]) for r in kills if r["command"] == command) for n in names]
        lines.append(f"| {command} | {' | '.join(map(str, sums))} |")
    lines += [
        f"| all | {' | '.join(str(sum(int(r[n]) for r in kills)) for n in names)} |",
        "",
        "## Again",
        "",
        "    python -m tests.fuzz --count 20000 --seed 1 --out reports/fuzz/counts.csv",
        "    python -m tests.fuzz.kills weekly=70 add=70 pair=25 pool=25 fit=10 \\",
        "        --out reports/fuzz/kills.csv",
        "    python -m tests.fuzz.summary reports/fuzz",
        "",
        "The first stops at a block of a thousand with anything wrong and does not write it down; "
        "run again, it goes on behind the last block written.",
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    (target / "README.md").write_text(text(target))
