"""What ``maturity-model fit`` does, without the command line's options."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.fitting.handing_on.hand_on import Source, hand_on
from maturity_model.fitting.handing_on.judgement_scores import (
    FEWEST_JUDGEMENTS,
    FEWEST_TANKS,
    enough_judgements,
)
from maturity_model.fitting.logs import pool_logbooks, pool_members, read_logs
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.sampling import ChainLost, SamplingPlan, choose_sampler, to_terminal
from maturity_model.logbook import LogbookError
from maturity_model.panel import Panel, build_panel
from maturity_model.population.constants import FIT_WEIGHT
from maturity_model.population.files import save_population
from maturity_model.population.types import Population
from maturity_model.whole_files import new_file

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult

#: Exit codes; those of the command line.
DONE, USAGE, LOG_ERRORS, MISMATCH, DIAGNOSTICS = 0, 2, 3, 4, 5
#: Modules that the extra ``fit`` brings.
NEEDED = ("pymc", "pytensor", "xarray", "h5netcdf")


def missing_modules() -> tuple[str, ...]:
    """Those of :data:`NEEDED` that are not installed."""
    return tuple(name for name in NEEDED if importlib.util.find_spec(name) is None)


def idata_path(out: Path) -> Path:
    """Where all draws are written: ``club.idata.nc`` beside ``club.nc``."""
    return out.with_name(f"{out.name.removesuffix('.nc')}.idata.nc")


def chains_folder(out: Path) -> Path:
    """Where finished chains are stored: ``club.nc.chains`` beside ``club.nc``."""
    return out.with_name(f"{out.name}.chains")


def save_posterior(result: FitResult, path: Path, loo: LeaveOneOut | None = None) -> None:
    """Write all draws as NetCDF, for xarray and for ArviZ 0.23 and 1.

    The log itself is not in it, but the names of tanks and keepers are. The log-likelihoods of
    ``loo`` become the group ``log_likelihood``, for the draws that the population holds.
    """
    import xarray as xr

    from maturity_model.fitting.pooled_fit import thin

    attrs = {**result.population.provenance, "evidence_weight": result.population.evidence_weight}
    groups = {
        "/": xr.Dataset(attrs=attrs),
        "/posterior": result.posterior,
        "/sample_stats": result.stats,
    }
    if loo is not None:
        draws = thin(result.posterior)
        values = loo.log_likelihood.T.reshape(draws.sizes["chain"], -1, len(loo.table))
        coords = {"chain": draws.chain, "draw": draws.draw, "tank": loo.table["tank"].tolist()}
        groups["/log_likelihood"] = xr.Dataset({"log": (tuple(coords), values)}, coords)
    tree = xr.DataTree.from_dict(groups)
    with new_file(path) as part:
        tree.to_netcdf(part, engine="h5netcdf")


def fit_command(
    paths: list[Path],
    out: Path,
    *,
    plan: SamplingPlan | None = None,
    evidence_weight: float | None,
    signs: Source = "auto",
    moves: Source = "auto",
    readings: Source = "auto",
    options: ModelOptions | None = None,
    compare: bool = False,
    secret: bytes = b"",
    approximate: bool = False,
    report: Path | None = None,
    command: str = "",
) -> int:
    """Fit logbooks and pools, and write a population.

    ``<out>.chains`` holds finished chains, ``*.idata.nc`` all draws. Without an evidence weight the
    fit has the default one, and the pool chooses that of the weekly path. For ``signs``, ``moves``
    and ``readings`` see :func:`.hand_on.hand_on`; with ``compare``, variants are fitted too. Given
    a ``secret``, keepers of the pool can be recognised only with it (:mod:`.members`).
    ``approximate`` is for a first look (:mod:`.approximate`): no tank is left out, and there is no
    report. ``report`` is the folder of the researcher's report, which names the ``command``.

    Returns
    -------
    int
        An exit code: 5 when a gate failed, which the file records too.
    """
    if missing := missing_modules():
        extra = "a fit needs the extra: pip install 'maturity-model[fit]'"
        to_terminal(f"{', '.join(missing)} not installed; {extra}")
        return USAGE
    from maturity_model.fitting.comparison import compare_variants
    from maturity_model.fitting.leave_one_out import loo_by_tank
    from maturity_model.fitting.model_inputs import to_json
    from maturity_model.fitting.pooled_fit import run_fit
    from maturity_model.fitting.report.page import write_report

    options = options or ModelOptions()
    plan = plan or SamplingPlan(sampler=choose_sampler())
    try:
        books = read_logs(paths)
        panel = build_panel(pool_logbooks(books))
        method = "an approximation" if approximate else f"{plan.chains} chains with {plan.sampler}"
        to_terminal(f"{len(panel.tanks)} tanks, {int(panel.first[-1])} tank-weeks, {method}")
        result = run_fit(
            panel,
            plan=plan,
            evidence_weight=FIT_WEIGHT if evidence_weight is None else evidence_weight,
            name=out.stem,
            options=options,
            folder=chains_folder(out),
            progress=True,
            approximate=approximate,
        )
    except (ValueError, ChainLost) as error:
        return _failed(error, out)
    choose = evidence_weight is None
    population = hand_on(
        result.population, panel, choose=choose, signs=signs, moves=moves, readings=readings
    )
    # The report and the file of all draws are about the fit, and record what was handed on.
    fitted = replace(result.population, provenance=dict(population.provenance))
    result, loo, comparison = replace(result, population=fitted), None, None
    try:
        population = replace(population, members=pool_members(result, books, secret))
        documents = {"catalogue": to_json(panel.catalogue), "priors": to_json(result.priors)}
        save_population(population, out, documents)
        save_posterior(result, idata_path(out))
        if not approximate:
            loo = loo_by_tank(panel, result.population)
            # Again; if leaving tanks out is interrupted, the draws are on disk already.
            save_posterior(result, idata_path(out), loo)
            if compare:
                # A comparison needs fewer draws than what is handed on.
                shorter = replace(plan, draws=max(3 * plan.draws // 4, 50))
                comparison = compare_variants(
                    result, options, shorter, folder=chains_folder(out), say=to_terminal
                )
            if report is not None:
                print(f"Report: {write_report(result, loo, report, command, comparison)}")
    except (OSError, ChainLost) as error:
        return _failed(error, out)
    for line in _summary(result, population, loo, comparison, out):
        print(line)
    return _exit_code(result)


def _exit_code(result: FitResult) -> int:
    # Says on stderr why it is not 0.
    if not result.diagnostics.ok:
        problems = "; ".join(result.diagnostics.problems)
        to_terminal(f"the fit's checks failed, and the file says so: {problems}")
        return DIAGNOSTICS
    if refused := result.panel.logbook.refused_tanks:
        to_terminal(f"not in the fit, because of errors in the log: {', '.join(refused)}")
        return LOG_ERRORS
    return DONE


def _failed(error: Exception, out: Path) -> int:
    # Says why, and returns the exit code.
    if isinstance(error, ChainLost):
        to_terminal(f"{error}; a rerun takes up the chains that were finished")
        return DIAGNOSTICS
    if isinstance(error, OSError):
        to_terminal(f"cannot write {error.filename or out}: {error.strerror or error}")
        return USAGE
    to_terminal(str(error))
    return LOG_ERRORS if isinstance(error, LogbookError) else MISMATCH


def _summary(
    result: FitResult,
    population: Population,
    loo: LeaveOneOut | None,
    comparison: Comparison | None,
    out: Path,
) -> Iterator[str]:
    # Lines for stdout.
    record, kind = population.provenance, ", approximate" if loo is None else ""
    if loo is not None:
        bad = loo.unreliable
        doubt = f"; Pareto k too high for {bad} of {len(loo.table)} tanks" if bad else ""
        error = f"(standard error {loo.standard_error:.1f})"
        yield f"leaving one tank out: ELPD {loo.total:.1f} {error}{doubt}"
    for d in () if comparison is None else comparison.differences.itertuples():
        doubt = f"; NOT TO BE TRUSTED: {'; '.join(d.doubts)}" if d.doubts else ""
        yield (
            f"{d.label}, {d.target}: ELPD {d.difference:+.1f} against the fit "
            f"(standard error {d.standard_error:.1f}, {d.tanks} tanks){doubt}"
        )
    yield f"{out}: {population.n_draws} draws{kind}"
    yield from handed_on_lines(population, result.panel)
    if loo is None:
        yield (
            f"Pareto k {record['pareto_k']}; effective draws {record['effective_draws']}; "
            "for a first look only"
        )
        return
    worst = result.diagnostics.worst()
    yield (
        f"largest R-hat {worst['r_hat']:.3f}; least effective draws {worst['ess_bulk']:.0f} "
        f"(middle), {worst['ess_tail']:.0f} (tails); {result.diagnostics.divergent} divergent"
    )


def handed_on_lines(population: Population, panel: Panel) -> Iterator[str]:
    """What the weekly command gets of a fit, and why."""
    from maturity_model.fitting.report.provenance import handed_on

    record = population.provenance
    yield from (f"{what}: {words}" for what, words in handed_on(record))
    learned = {record[part] for part in ("signs", "moves", "readings")} != {"practice"}
    if not learned and not enough_judgements(panel):
        yield (
            "too few judged phases to tell whether the pool's own would be better: log "
            f"judged_phase for a fifth of the tanks, at least {FEWEST_TANKS}, and at least "
            f"{FEWEST_JUDGEMENTS} times in all"
        )
