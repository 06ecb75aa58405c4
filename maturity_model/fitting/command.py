"""What ``maturity-model fit`` does, without the command line's options."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.fitting.handing_on.hand_on import TUNED, Source, hand_on
from maturity_model.fitting.handing_on.judgement_scores import (
    FEWEST_JUDGEMENTS,
    FEWEST_TANKS,
    enough_judgements,
)
from maturity_model.fitting.logs import pool_logbooks, pool_members, read_logs
from maturity_model.fitting.sampling import ChainLost, SamplingPlan, choose_sampler, to_terminal
from maturity_model.population.constants import FIT_WEIGHT
from maturity_model.whole_files import new_file

if TYPE_CHECKING:
    from collections.abc import Callable

    import xarray as xr

    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.options import ModelOptions
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.logbook import Logbook
    from maturity_model.panel import Panel
    from maturity_model.population.types import Population

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


def save_posterior(result: FitResult, path: Path, loo: LeaveOneOut | None = None) -> None:
    """Write all draws as NetCDF, for xarray and for ArviZ 0.23 and 1.

    The log itself is not in it, but the names of tanks and keepers are.

    Parameters
    ----------
    result : FitResult
    path : Path
    loo : LeaveOneOut, optional
        Its log-likelihoods become the group ``log_likelihood``, for some of the draws.
    """
    import xarray as xr

    attrs = {**result.population.provenance, "evidence_weight": result.population.evidence_weight}
    groups = {
        "/": xr.Dataset(attrs=attrs),
        "/posterior": result.posterior,
        "/sample_stats": result.stats,
    }
    if loo is not None:
        draws = loo_draws(result.posterior)
        values = loo.log_likelihood.T.reshape(draws.sizes["chain"], -1, len(loo.tanks))
        coords = {"chain": draws.chain, "draw": draws.draw, "tank": list(loo.tanks)}
        groups["/log_likelihood"] = xr.Dataset({"log": (tuple(coords), values)}, coords)
    tree = xr.DataTree.from_dict(groups)
    with new_file(path) as part:
        tree.to_netcdf(part, engine="h5netcdf")


def loo_draws(posterior: xr.Dataset) -> xr.Dataset:
    """As many draws of each chain as a fitted population can hold in all."""
    from maturity_model.fitting.pooled_fit import MAX_DRAWS, thin

    each = max(MAX_DRAWS // posterior.sizes["chain"], 1)
    return posterior.isel(draw=thin(posterior.sizes["draw"], each))


def leave_tanks_out(result: FitResult) -> LeaveOneOut:
    """Leave each tank of a fit out, with evenly spaced draws of all its chains."""
    from maturity_model.fitting.leave_one_out import loo_by_tank
    from maturity_model.fitting.pooled_fit import population_from

    population = population_from(
        loo_draws(result.posterior),
        result.priors,
        name=result.population.name,
        evidence_weight=result.population.evidence_weight,
        provenance=result.population.provenance,
    )
    return loo_by_tank(result.panel, population)


def fit_command(
    paths: list[Path],
    out: Path,
    *,
    plan: SamplingPlan | None = None,
    evidence_weight: float | None,
    signs: Source = "auto",
    moves: Source = "auto",
    readings: Source = "auto",
    name: str | None = None,
    options: ModelOptions | None = None,
    compare: bool = False,
    secret: bytes = b"",
    approximate: bool = False,
    report: Callable[[FitResult, LeaveOneOut, Comparison | None], str] | None = None,
) -> int:
    """Fit logbooks and write a population.

    Parameters
    ----------
    paths : list of Path
        Logbooks or pools.
    out : Path
        The population; ``<out>.chains`` keeps finished chains, ``*.idata.nc`` all draws.
    plan : SamplingPlan, optional
    evidence_weight : float or None
        None: the fit uses :data:`.constants.FIT_WEIGHT`, and the pool then chooses the weight
        that the weekly path uses.
    signs, moves, readings : {'auto', 'practice', 'learned'}
        See :func:`.hand_on.hand_on`. What was learned is in the file of all draws in any case,
        and in the report.
    name : str, optional
        Of the population; default: the file's.
    options : ModelOptions, optional
        Parts of the model to leave out or add.
    compare : bool
        Whether to fit variants too and say what each part buys; finished chains of theirs
        are kept like the fit's own.
    secret : bytes
        With it, only who has it can recognise keepers of the pool; see :mod:`.members`.
    approximate : bool
        For a first look: see :mod:`.approximate`; no tank is left out, and there is no report.
    report : callable, optional
        Writes the researcher's report, and returns where it lies.

    Returns
    -------
    int
        An exit code: 5 when a gate failed, and then the file says so too.
    """
    missing = missing_modules()
    if missing:
        to_terminal(
            f"{', '.join(missing)} not installed; a fit needs the extra: "
            "pip install 'maturity-model[fit]'"
        )
        return USAGE
    from maturity_model.fitting.model_inputs import documents
    from maturity_model.fitting.pooled_fit import run_fit
    from maturity_model.logbook import LogbookError
    from maturity_model.panel import build_panel
    from maturity_model.pooling import PoolError, PoolMismatch
    from maturity_model.population.files import save_population

    try:
        books = read_logs(paths)
    except (LogbookError, PoolError) as error:
        to_terminal(str(error))
        return MISMATCH if isinstance(error, PoolMismatch) else LOG_ERRORS
    try:
        panel = build_panel(pool_logbooks(books))
        plan = plan or SamplingPlan(sampler=choose_sampler())
        to_terminal(
            f"{len(panel.tanks)} tanks, {int(panel.first[-1])} tank-weeks, "
            + ("an approximation" if approximate else f"{plan.chains} chains with {plan.sampler}")
        )
        fit_weight = FIT_WEIGHT if evidence_weight is None else evidence_weight
        use = partial(
            hand_on,
            panel=panel,
            choose=evidence_weight is None,
            signs=signs,
            moves=moves,
            readings=readings,
            say=to_terminal if sys.stderr.isatty() else _quiet,
        )
        if approximate:
            return _approximate(
                panel, books, out, name, secret, plan.seed, fit_weight, options, use
            )
        result = run_fit(
            panel,
            plan=plan,
            evidence_weight=fit_weight,
            name=name or out.stem,
            options=options,
            folder=chains_folder(out),
            progress=True,
        )
    except ValueError as error:
        to_terminal(str(error))
        return MISMATCH
    except ChainLost as error:
        to_terminal(f"{error}; a rerun takes up the chains that were finished")
        return DIAGNOSTICS
    used = use(result.population)
    # The report and the file of all draws are about the fit, and tell of its use.
    result = replace(
        result, population=replace(result.population, provenance=dict(used.provenance))
    )
    try:
        used = replace(used, members=pool_members(result, books, secret))
        save_population(used, out, documents(panel.catalogue, result.priors))
        # Once more when tanks were left out: nothing that was drawn is lost by then.
        save_posterior(result, idata_path(out))
        loo = leave_tanks_out(result)
        save_posterior(result, idata_path(out), loo)
        comparison = _compare(result, options, plan, out) if compare else None
        if report is not None:
            print(f"Report: {report(result, loo, comparison)}")
    except ChainLost as error:
        to_terminal(f"{error}; a rerun takes up the chains that were finished")
        return DIAGNOSTICS
    except OSError as error:
        where = error.filename or out
        to_terminal(f"cannot write {where}: {error.strerror or error}")
        return USAGE
    _say_loo(loo)
    if comparison is not None:
        _say_comparison(comparison)
    return _report(result, used, panel.logbook.refused_tanks, out)


def _quiet(text: str) -> None:
    # Progress is for a terminal.
    del text


def chains_folder(out: Path) -> Path:
    """Where finished chains are kept: ``club.nc.chains`` beside ``club.nc``."""
    return out.with_name(f"{out.name}.chains")


def _compare(
    result: FitResult, options: ModelOptions | None, plan: SamplingPlan, out: Path
) -> Comparison:
    from maturity_model.fitting.comparison import compare, shorter
    from maturity_model.fitting.options import ModelOptions

    return compare(
        result,
        options or ModelOptions(),
        shorter(plan),
        folder=chains_folder(out),
        say=to_terminal,
    )


def _say_comparison(comparison: Comparison) -> None:
    for d in comparison.differences:
        doubt = f"; NOT TO BE TRUSTED: {'; '.join(d.doubts)}" if d.doubts else ""
        print(
            f"{d.variant.label}, {d.target}: ELPD {d.difference:+.1f} against the fit "
            f"(standard error {d.standard_error:.1f}, {d.tanks} tanks){doubt}"
        )


def _approximate(
    panel: Panel,
    books: list[Logbook],
    out: Path,
    name: str | None,
    secret: bytes,
    seed: int,
    evidence_weight: float,
    options: ModelOptions | None,
    use: Callable[[Population], Population],
) -> int:
    from maturity_model.fitting.approximate import run_approximate
    from maturity_model.fitting.model_inputs import documents
    from maturity_model.population.files import save_population

    result = run_approximate(
        panel,
        seed=seed,
        evidence_weight=evidence_weight,
        name=name or out.stem,
        options=options,
        say=to_terminal,
    )
    used = use(result.population)
    population = replace(used, members=pool_members(result, books, secret))
    try:
        save_population(population, out, documents(panel.catalogue, result.priors))
        save_posterior(result, idata_path(out))
    except OSError as error:
        to_terminal(f"cannot write {error.filename or out}: {error.strerror or error}")
        return USAGE
    said = population.provenance
    print(f"{out}: {population.n_draws} draws, approximate{_weight_of(population)}")
    _say_use(population, panel, out)
    print(
        f"Pareto k {said['pareto_k']}; effective draws {said['effective_draws']}; "
        "for a first look only"
    )
    return _verdict(result, panel.logbook.refused_tanks)


def _say_loo(loo: LeaveOneOut) -> None:
    bad = loo.unreliable()
    print(
        f"leaving one tank out: ELPD {loo.total:.1f} (standard error {loo.standard_error:.1f})"
        + (f"; Pareto k too high for {len(bad)} of {len(loo.tanks)} tanks" if bad else "")
    )


def _weight_of(used: Population) -> str:
    said = used.provenance
    why = ""
    if "sign_shift_variance" in said:
        why = f" (its tanks' signs shift with variance {said['sign_shift_variance']})"
    elif "evidence_weight_chosen_by" in said:
        why = f" (chosen by {said['evidence_weight_chosen_by']})"
    return f", evidence weight {used.evidence_weight:g}{why}"


def _say_use(used: Population, panel: Panel, out: Path) -> None:
    back = [part for part in ("signs", "moves", "readings") if used.provenance[part] == "practice"]
    if used.provenance["signs"] == TUNED:
        print(
            "signs, moves, readings: practice's, shifted until they tell the judgements better "
            f"({used.provenance['tuned_length']} prior standard deviations in all); what the pool "
            f"says is in {idata_path(out).name}"
        )
    if back:
        where = idata_path(out).name
        print(f"{', '.join(back)}: as practice says; what the pool says is in {where}")
    if len(back) == 3 and not enough_judgements(panel):
        print(
            "too few judged phases to tell whether the pool's own would be better: log "
            f"judged_phase for a fifth of the tanks, at least {FEWEST_TANKS}, and at least "
            f"{FEWEST_JUDGEMENTS} times in all"
        )


def _report(result: FitResult, used: Population, refused: tuple[str, ...], out: Path) -> int:
    found = result.diagnostics
    worst = found.worst()
    print(f"{out}: {used.n_draws} draws{_weight_of(used)}")
    _say_use(used, result.panel, out)
    print(
        f"largest R-hat {worst['r_hat']:.3f}; least effective draws {worst['ess_bulk']:.0f} "
        f"(middle), {worst['ess_tail']:.0f} (tails); {found.divergent} divergent"
    )
    return _verdict(result, refused)


def _verdict(result: FitResult, refused: tuple[str, ...]) -> int:
    found = result.diagnostics
    if not found.ok:
        to_terminal("the fit's checks failed, and the file says so: " + "; ".join(found.problems))
        return DIAGNOSTICS
    if refused:
        to_terminal(f"not in the fit, because of errors in the log: {', '.join(refused)}")
        return LOG_ERRORS
    return DONE
