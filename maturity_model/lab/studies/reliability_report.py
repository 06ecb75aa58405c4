"""Tables and curves of the study of reliability."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from maturity_model.lab.studies.reliability import (
    ALL,
    CLUBS,
    DRAWN,
    HALVES,
    LATELY,
    QUIET,
    TARGETS,
    TRAINING,
    TRAINING_CLUBS,
)
from maturity_model.lab.studies.scores import BINS
from maturity_model.lab.studies.tally import (
    BASELINES,
    PARTS,
    RESAMPLED,
    Tally,
    calibration_error,
    curve_interval,
    skill_interval,
    skill_of_knowing,
    skills,
)
from maturity_model.whole_files import write_file

#: Half, target, choice of weeks.
Key = tuple[str, str, str]
#: Bin, stated, observed, its interval, number of forecasts.
Row = tuple[int, float, float, float, float, int]

#: Wanted: a smaller calibration error than this, and skill above 0.
LARGEST_ERROR = 0.03
#: What each baseline is called in the tables.
_CALLED = {
    "age": "age",
    "readings": "readings, filtered",
    "readings_table": "readings, table",
    "checklist": "checklist",
}
_TITLES = {
    "phase": "P(phase), filtered",
    **{
        name: f"P(slipping back within {name.partition('_')[2]} weeks)"
        for name in TARGETS
        if name != "phase"
    },
}
#: A dot is drawn for at least so many forecasts.
FEWEST = 20
#: Size of a panel of the curves, and its margins, in pixels.
_SIDE, _LEFT, _TOP, _GAP = 260.0, 58.0, 56.0, 74.0


def wanted(key: Key) -> tuple[str, ...]:
    """Baselines that must be beaten.

    The phase is weighed against all. The risk of slipping back is stated for weeks without
    further events, so it is weighed there, and against frequency tables.
    """
    _, target, weeks = key
    if target == "phase":
        return BASELINES
    return ("age", "readings_table", "checklist") if weeks == QUIET else ()


def missed(tallies: dict[Key, Tally]) -> list[str]:
    """Each target that is missed, in words."""
    out = []
    for key, found in tallies.items():
        error = calibration_error(found)
        name = f"{key[1]}, {key[0]}, weeks: {key[2]}"
        if not error < LARGEST_ERROR:
            out.append(f"{name}: calibration error {error:.4f}")
        for baseline, skill in zip(BASELINES, skills(found), strict=True):
            if baseline in wanted(key) and not skill > 0:
                out.append(f"{name}: skill {skill:+.4f} against {_CALLED[baseline]}")
    return out


def _curve(found: Tally, bins: int, seed: int) -> list[Row]:
    # Of the bins that hold any forecast.
    count, stated, observed = (x.sum(axis=0) for x in found.in_bins(bins))
    low, high = curve_interval(found, bins, seed)
    return [
        (b, float(stated[b] / n), float(observed[b] / n), float(low[b]), float(high[b]), int(n))
        for b, n in enumerate(count.tolist())
        if n
    ]


def _drawn(target: str, found: Tally, seed: int) -> list[Row]:
    # Nearly all risks of slipping lie in the lowest bins: those are drawn by their parts.
    rows = _curve(found, BINS if target == "phase" else BINS * PARTS, seed)
    return [row for row in rows if row[-1] >= FEWEST]


def _panel(rows: list[Row], x0: float, top: float, title: str) -> str:
    def x(p: float) -> str:
        return f"{x0 + _SIDE * min(p / top, 1):.1f}"

    def y(p: float) -> str:
        return f"{_TOP + _SIDE * (1 - min(p / top, 1)):.1f}"

    parts = [
        f'<text x="{x0:.0f}" y="{_TOP - 10:.0f}">{title}</text>',
        f'<rect class="f" x="{x0:.0f}" y="{_TOP:.0f}" width="{_SIDE:.0f}" height="{_SIDE:.0f}"/>',
        f'<line class="d" x1="{x(0)}" y1="{y(0)}" x2="{x(top)}" y2="{y(top)}"/>',
    ]
    for i in range(5):
        at = top * i / 4
        parts.append(
            f'<text class="m" x="{x(at)}" y="{_TOP + _SIDE + 16:.0f}">{100 * at:g} %</text>'
            f'<text class="e" x="{x0 - 6:.0f}" y="{float(y(at)) + 4:.1f}">{100 * at:g} %</text>'
        )
    line = " ".join(f"{x(stated)},{y(observed)}" for _, stated, observed, *_ in rows)
    parts.append(f'<polyline class="c" points="{line}"/>')
    most = max((n for *_, n in rows), default=1)
    for _, stated, observed, low, high, n in rows:
        if np.isfinite(low):
            parts.append(
                f'<line class="i" x1="{x(stated)}" x2="{x(stated)}" y1="{y(low)}" y2="{y(high)}"/>'
            )
        # The area of a dot goes with the square root of its forecasts: they span decades.
        size = 2 + 5 * (n / most) ** 0.25
        parts.append(f'<circle cx="{x(stated)}" cy="{y(observed)}" r="{size:.1f}"/>')
    parts.append(
        f'<text class="m" x="{x0 + _SIDE / 2:.0f}" y="{_TOP + _SIDE + 34:.0f}">stated</text>'
    )
    return "".join(parts)


def _top(rows: list[Row]) -> float:
    # The end of both axes: all dots lie inside.
    largest = max((max(stated, observed) for _, stated, observed, *_ in rows), default=1.0)
    return next(t for t in (0.1, 0.2, 0.4, 0.6, 0.8, 1.0) if largest <= t)


def curves(tallies: dict[Key, Tally], target: str, seed: int) -> str:
    """Observed frequency against stated probability, a panel for each half, as SVG."""
    weeks = ALL if target == "phase" else QUIET
    bins = BINS if target == "phase" else BINS * PARTS
    found = [tallies[half.name, target, weeks] for half in HALVES]
    drawn = [_drawn(target, f, seed) for f in found]
    top = _top([row for rows in drawn for row in rows])
    panels, said = [], []
    for i, (half, rows) in enumerate(zip(HALVES, drawn, strict=True)):
        title = f"{half.name}, ω = {half.weight:g}"
        panels.append(_panel(rows, _LEFT + i * (_SIDE + _GAP), top, title))
        error = calibration_error(found[i])
        said.append(f"{half.name}: expected calibration error {error:.4f} over {BINS} bins")
    width = _LEFT + 2 * _SIDE + _GAP + 24
    height = _TOP + _SIDE + 46
    which = "" if weeks == ALL else ", weeks without further events"
    title = f"Reliability of {_TITLES[target]}{which}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="t d" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" height="{height:.0f}">'
        f'<title id="t">{title}</title><desc id="d">Observed frequency against stated '
        f"probability in {bins} equal bins; the diagonal is perfect. {'; '.join(said)}.</desc>"
        "<style>text{font:12px sans-serif;fill:#222}.m{text-anchor:middle}.e{text-anchor:end}"
        ".h{font-weight:bold}.f{fill:none;stroke:#999}.d{stroke:#999;stroke-dasharray:4 3}"
        ".c{fill:none;stroke:#1f5f8b;stroke-width:1.2}.i{stroke:#1f5f8b;stroke-width:1.2}"
        "circle{fill:#1f5f8b}</style>"
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="#fff"/>'
        f'<text class="h" x="{_LEFT:.0f}" y="18">{title}</text>'
        f'<text class="m" transform="translate(14 {_TOP + _SIDE / 2:.0f}) rotate(-90)">observed'
        f"</text>{''.join(panels)}</svg>\n"
    )


def _scores_csv(tallies: dict[Key, Tally], seed: int) -> str:
    names = [f"skill_{b}{end}" for b in BASELINES for end in ("", "_low", "_high")]
    lines = [
        "half,target,weeks,forecasts,stated,observed,calibration_error,brier,"
        + ",".join(names)
        + ",skill_true_phase_against_age"
    ]
    for key, found in tallies.items():
        n, columns = _size(key[1], found)
        skill, (low, high) = skills(found), skill_interval(found, seed)
        cells = [f"{v:.5f}" for each in zip(skill, low, high, strict=True) for v in each]
        lines.append(
            f"{','.join(key)},{n},{found.stated.sum() / n / columns:.5f},"
            f"{found.observed.sum() / n / columns:.5f},{calibration_error(found):.5f},"
            f"{found.brier.sum(axis=0)[0] / n:.5f},{','.join(cells)},{skill_of_knowing(found):.5f}"
        )
    return "\n".join(lines) + "\n"


def _size(target: str, found: Tally) -> tuple[int, int]:
    # Tank-weeks, and probabilities stated in each: every tank is in one phase each week.
    total = int(found.number.sum())
    if target != "phase":
        return total, 1
    weeks = round(float(found.observed.sum()))
    return weeks, total // weeks


def _curves_csv(tallies: dict[Key, Tally], seed: int) -> str:
    lines = ["half,target,weeks,bins,bin,stated,observed,observed_low,observed_high,n"]
    for key, found in tallies.items():
        for bins in (BINS,) if key[1] == "phase" else (BINS, BINS * PARTS):
            for b, stated, observed, low, high, n in _curve(found, bins, seed):
                ends = f"{low:.5f},{high:.5f}" if np.isfinite(low) else ","
                lines.append(f"{','.join(key)},{bins},{b},{stated:.5f},{observed:.5f},{ends},{n}")
    return "\n".join(lines) + "\n"


def _table(tallies: dict[Key, Tally], target: str, seed: int) -> str:
    digits = 2 if target == "phase" else 4
    lines = [
        "| tanks | weeks | tank-weeks | stated / observed | calibration error | "
        + " | ".join(f"against {_CALLED[b]}" for b in BASELINES)
        + " | *knowing the phase, against age* |",
        "|---|---|---|---|---|" + "---|" * (len(BASELINES) + 1),
    ]
    for key, found in tallies.items():
        if key[1] != target:
            continue
        n, columns = _size(target, found)
        ends = skill_interval(found, seed).T
        cells = [
            f"{s:+.{digits}f} ({low:+.{digits}f} to {high:+.{digits}f})"
            for s, (low, high) in zip(skills(found), ends, strict=True)
        ]
        error = f"{calibration_error(found):.4f}"
        if target != "phase":
            error += f" ({calibration_error(found, BINS * PARTS):.4f})"
        mean = [f"{100 * v.sum() / n / columns:.2f} %" for v in (found.stated, found.observed)]
        lines.append(
            f"| {key[0]} | {key[2]} | {n} | {'—' if target == 'phase' else ' / '.join(mean)} "
            f"| {error} | {' | '.join(cells)} "
            f"| {skill_of_knowing(found):+.{digits}f} |"
        )
    return "\n".join(lines)


def _not_beaten(tallies: dict[Key, Tally]) -> str:
    out = [
        f"- {key[1]}, {key[0]}, weeks: {key[2]}: {skill:+.4f} against {_CALLED[name]}"
        for key, found in tallies.items()
        for name, skill in zip(BASELINES, skills(found), strict=True)
        if not skill > 0
    ]
    return "\n".join(out) or "- none"


def write(tallies: dict[Key, Tally], out: Path, n_tanks: int, weeks: int, seed: int) -> None:
    """Write ``scores.csv``, ``reliability.csv``, a curve for each target, ``README.md``."""
    out.mkdir(parents=True, exist_ok=True)
    write_file(out / "scores.csv", _scores_csv(tallies, seed))
    write_file(out / "reliability.csv", _curves_csv(tallies, seed))
    for target in TARGETS:
        write_file(out / f"{target}.svg", curves(tallies, target, seed))
    misses = missed(tallies)
    verdict = (
        "**Missed:**\n\n" + "\n".join(f"- **{m}**" for m in misses)
        if misses
        else "All of these are reached."
    )
    parts = "\n\n".join(
        f"## {_TITLES[target]}\n\n![{_TITLES[target]}: observed against stated]({target}.svg)\n\n"
        f"{_table(tallies, target, seed)}"
        for target in TARGETS
    )
    shifted = HALVES[1].world
    text = f"""# Do the stated probabilities come true?

{n_tanks} simulated tanks used for nothing else, {weeks} weeks of each; seed {seed}. Half
(*model*) are drawn from the model and filtered at ω = {HALVES[0].weight:g}. Half (*shifted*)
carry shifts of their own that the model lacks (each sign's log-odds by {shifted.sign_effect_sd:g},
each analyte's log level by {shifted.reading_effect_sd:g}, standard deviations) and are filtered at
the population's ω = {HALVES[1].weight:g}. {CLUBS} clubs in each half, each with its own draw of the
parameters from the catalogue's priors. In a week, what is stated rests on the log up to
that week; eight more weeks were simulated for the truth of what was to come.

Wanted: an expected calibration error below {LARGEST_ERROR:g} over {BINS} equal bins in every row;
Brier skill above 0 for the phase against all that is compared with, and for slipping back,
in weeks without further events, against the three tables. {verdict}

**How much this says of slipping back.** Without a further event a slip is rare and mostly
chance. The last column tells what there is to be gained: the skill against age alone of one
who knew the true phase and no more. The program, which does not know it but sees past
events, is to be held against that; an interval that holds 0 says that so many tanks cannot
tell. **All skills here are small**: a keeper learns from the risk how often such tanks slip,
and hardly which one will. What signs add to the phase adds next to nothing to the risk.
What is scored is not whether a slip was drawn but its chance, given the tank's true state
and true hazards: the same in expectation, without the noise of the drawing, which hides
differences as small as these. Rows *{DRAWN}* are scored on what was drawn.
Most risks lie in the lowest of {BINS} bins, so that error hardly tests more than their mean;
in brackets it stands over {BINS * PARTS} narrower ones, where chance alone makes it larger.

Every row without skill, whether wanted or not:

{_not_beaten(tallies)}

*Weeks*: the risk is stated for the case that no further event happens, so *{QUIET}* keeps
the weeks whose next 4 (or 8) hold no recorded event, save water changes, which are taken to
go on as they stand. *{ALL}* keeps every week: events do come, and the risk stated is then
too low, by design. *{DRAWN}*: the same weeks as *{QUIET}*.

*Compared with*, the tables learned from {TRAINING} further tanks of the same half, in
{TRAINING_CLUBS} clubs, and from the same choice of weeks: **age**, the frequency by week and
rock; **readings, filtered**, the program itself with the signs left out; **readings,
table**, the frequency by ammonia and by nitrite (found, not found, not measured in
{LATELY} weeks) and age in bands of {LATELY} weeks; **checklist**, the frequency by the number of
favourable signs (those whose chance never falls from phase to phase) seen in the
last {LATELY} weeks.

*In brackets*: 5 % and 95 % points of {RESAMPLED} resamplings of whole clubs; so are the
bars of the curves. Dots grow with the number of forecasts in a bin, and are left out below
{FEWEST}; the curves of slipping back are those of the weeks without further events, in
{BINS * PARTS} bins. All numbers stand in `scores.csv` and `reliability.csv`.

{parts}

Made by `maturity-model study reliability --out reports/reliability`.
"""
    write_file(out / "README.md", text)
