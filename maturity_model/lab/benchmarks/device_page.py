"""``python -m maturity_model.lab.benchmarks.device_page``: what a run on a GPU measured, as a page.

Reads ``device.jsonl``, which ``benchmarks.device --run`` leaves, and writes ``DEVICE.md``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from maturity_model.whole_files import write_file

HERE = Path(__file__).parent
#: Wanted: scoring so many times as fast as one CPU core.
TARGET = 100.0


def _rows(records: list[dict[str, Any]], what: str) -> list[dict[str, Any]]:
    return [r for r in records if r["what"] == what]


def page(records: list[dict[str, Any]]) -> str:
    """The page, from the records of one run."""
    machine = _rows(records, "machine")[0]
    core = _rows(records, "compiled filter on one core here")
    scoring = _rows(records, "scoring")
    lines = [
        "# On a GPU",
        "",
        f"{machine['device']}, jax {machine['jax']}, beside {machine['cores']} CPU cores of its "
        "host. One run of `benchmarks.device`; medians of repeated calls after "
        "compiling. The likelihood is that of the compiled kernels, written again in JAX.",
        "",
        "## Peaks measured in the same run",
        "",
        "| | copy | multiply-add | exp | matrix product |",
        "|---|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {p['dtype']} | {p['copy_bytes_per_s'] / 1e12:.2f} TB/s "
        f"| {p['multiply_add_flop_per_s'] / 1e12:.1f} Tflop/s | {p['exp_per_s'] / 1e12:.2f} T/s "
        f"| {p['matmul_flop_per_s'] / 1e12:.1f} Tflop/s |"
        for p in _rows(records, "peak")
    ]
    lines += [
        "",
        "## Scoring: the filter of a tank under 100 draws x 15 nodes",
        "",
        "| | tanks at once | tank-weeks per s | ps per lane-week | times one core here "
        "| times its floor |",
        "|---|---:|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {r['dtype']} | {r['tanks']:,} | {r['tank_weeks_per_s']:,.0f} "
        f"| {r['ps_per_lane_week']:.0f} | {_times(r, core)} | {r['times_floor']:.0f} |"
        for r in scoring
    ]
    if core:
        own = core[0]["us_per_tank_week"]
        best = max(r["tank_weeks_per_s"] for r in scoring if r["dtype"] == "float64") * own / 1e6
        lines += [
            "",
            f"One core of the GPU's host, compiled kernel: {own:.0f} µs per tank-week. Target, "
            f"at least {TARGET:.0f} times one core: {best:.0f} in float64, "
            f"{'met' if best >= TARGET else 'MISSED'}.",
        ]
    floor = min(r["times_floor"] for r in scoring if r["dtype"] == "float64")
    memory = min(r["times_states_through_memory"] for r in scoring if r["dtype"] == "float64")
    lines += [
        "",
        "**What limits it.** Neither arithmetic nor memory alone: in float64 it takes at best "
        f"{floor:.0f} times as long as its counted operations at the peak above, and "
        f"{memory:.1f} times as long as writing and reading the states once would. Each week is a "
        "handful of small kernels that wait for each other (a scan over weeks), and the states go "
        "through memory between them; few tanks at once leave most of the card idle. "
        "(Reasoned from the sizes, not profiled.) The draws' "
        "weights (Pareto smoothing) are worked out on the CPU afterwards and are not in these "
        "numbers. Operations are counted by hand from the formulas, bytes from array sizes.",
        "",
        "## Value and gradient of the chain",
        "",
        "| | tanks | s | ns per tank-week | times its floor | floor set by |",
        "|---|---:|---:|---:|---:|---|",
    ]
    lines += [
        f"| {r['dtype']} | {r['tanks']:,} | {r['seconds']:.4f} | {r['ns_per_tank_week']:.2f} "
        f"| {r['times_floor']:.0f} | {r['limit']} |"
        for r in _rows(records, "chain value and gradient")
    ]
    lines += [
        "",
        "## Value and gradient of a whole panel, from the parameters",
        "",
        "| tanks | s | ns per tank-week |",
        "|---:|---:|---:|",
    ]
    lines += [
        f"| {r['tanks']:,} | {r['seconds']:.4f} | {r['ns_per_tank_week']:.0f} |"
        for r in _rows(records, "panel value and gradient")
    ]
    if commands := _rows(records, "score command"):
        lines += [
            "",
            "## The whole command: `score --device`",
            "",
            "| device | run | tanks | draws | s | tank-weeks per s |",
            "|---|---:|---:|---:|---:|---:|",
        ]
        lines += [
            f"| {r['device']} | {r['run']} | {r['tanks']:,} | {r['draws']} | {r['seconds']:.1f} "
            f"| {r['tank_weeks'] / r['seconds']:,.0f} |"
            for r in commands
        ]
        lines += [
            "",
            "Timed in a run of its own on a machine of the same kind, start of the program and "
            "compiling included; the CPU used one process. Reading the pool and making tables of "
            "likelihoods stay on one core, and at this size set the time: a GPU is worth it where "
            "the filter is most of the work, as in the figures above, not here. The risk of "
            "slipping is part of this and not of the figures above.",
        ]
    agree = [r for r in records if "agreement" in r["what"]]
    lines += [
        "",
        "## Agreement with the compiled kernels on the CPU (the panel: with JAX there)",
        "",
        *(
            f"- {r['what'].removesuffix(' agreement')}"
            + (f", {r['dtype']}" if "dtype" in r else "")
            + ": "
            + ", ".join(f"{k} {v:.1e}" for k, v in _differences(r).items())
            for r in agree
        ),
    ]
    return "\n".join(lines) + "\n"


def _times(row: dict[str, Any], core: list[dict[str, Any]]) -> str:
    if not core:
        return "not measured"
    return f"{row['tank_weeks_per_s'] * core[0]['us_per_tank_week'] / 1e6:.0f}"


def _differences(row: dict[str, Any]) -> dict[str, float]:
    inner = row.get("largest_difference", row)
    return {k: v for k, v in inner.items() if isinstance(v, float)}


def main() -> None:
    """Write the page."""
    text = (HERE / "device.jsonl").read_text(encoding="utf-8")
    records = [json.loads(line) for line in text.splitlines() if line]
    write_file(HERE / "DEVICE.md", page(records))


if __name__ == "__main__":
    main()
