"""Whether animals are permitted too early, or refused for too long, week by week.

The rules of :mod:`maturity_model.assessment.decisions`, and the gate of
:mod:`maturity_model.assessment.permissions` that they need, are asked at the end of every week,
with the log up to that day, as the weekly command would be: about the first animals until the
log holds an addition, then about the next ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.assessment.ammonia_now import RECENT_DAYS, TankLog, unionised_now
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.decisions import Decision, decide
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.assessment.observed import checkins_of
from maturity_model.assessment.permissions import Record
from maturity_model.assessment.present import Present
from maturity_model.assessment.silence import is_silent, last_look
from maturity_model.assessment.surprise import RecentSlip
from maturity_model.catalogue import DecisionRule, load_decisions
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.forecasts import Forecaster, as_of, surprises_by_checkin
from maturity_model.lab.validation.scores import Estimate, bootstrap_weights, estimate

#: Permissions that are counted; leaving a tank alone harms no animal.
ANIMALS = ("first animals", "next animals")
#: Reasons of a refusal besides missing evidence: the phase is not probable enough, other advice
#: overrules it, or nobody has looked for so long that the only advice is to look.
PHASE, OVERRULED, SILENCE = "phase", "other advice", "silence"
#: Evidence that only time brings: the wait after the keeper's own last addition.
WAITS = {"last addition", "after addition"}
#: Wanted: at most this share of the permitted weeks truly cycling, and at least this share of
#: the measured weeks past cycling with evidence enough.
MOST_CYCLING, LEAST_PERMITTED = 0.02, 0.6


# Asking -----------------------------------------------------------------------------------


def animal_rules() -> dict[str, DecisionRule]:
    """The rules that permit animals, and those that overrule them."""
    every = load_decisions()
    permits = [rule for rule in every.values() if rule.permission in ANIMALS]
    names = {rule.name for rule in permits} | {rule.unless for rule in permits}
    return {name: rule for name, rule in every.items() if name in names}


def permission_weeks(clubs: Sequence[Club], forecaster: Forecaster) -> pd.DataFrame:
    """Ask for permission at the end of every week whose true phase is known.

    One row per tank-week: ``club, tank, week, truth`` (index of the phase); ``asked``, a name of
    :data:`ANIMALS`; ``measured``, whether ammonia and nitrite were both logged in that week;
    ``permitted``, whether the verdict is yes; ``reasons``, what stands against it, separated by
    semicolons.
    """
    rules, rows, before = animal_rules(), [], 0
    for number, club in enumerate(clubs):
        tables = make_tables(club.panel(), forecaster.population, forecaster.weight)
        for n in range(len(club.truth)):
            place = {"club": number, "tank": before + n}
            rows += [place | row for row in _weeks_of(tables, club, n, rules)]
        before += len(club.truth)
    return pd.DataFrame(rows)


def _weeks_of(
    tables: Tables, club: Club, n: int, rules: Mapping[str, DecisionRule]
) -> Iterator[dict[str, object]]:
    panel, catalogue = tables.panel, tables.panel.catalogue
    tank, checkins = panel.tanks[n], checkins_of(panel, n)
    events = [e for e in panel.logbook.events if e.tank == tank.name]
    mixture, hazards = filter_tank(tables, n)
    present = Present(panel, n, mixture, hazards, tables.pace)
    found = list(surprises_by_checkin(tables, n, mixture))
    surprising = {week: s for week, _, s in found}
    recent, alarms = RecentSlip(0.0, 0.0), [date for _, date, s in found if s.alarm]
    for week, day in enumerate(panel.week_ends(n)[: club.weeks]):
        if week in surprising:
            recent = surprising[week].recent
        if club.truth[n, week] < 0:
            continue
        log = TankLog.of(tank, checkins, events, day, catalogue)
        silent = is_silent(last_look(log.checkins), day)
        alarm = any(0 <= log.days_since(date) <= RECENT_DAYS for date in alarms)
        record = Record(log, cautions_for(log), alarm, silent=silent)
        decisions = decide(as_of(present, week), recent, record, unionised_now(log), rules)
        decision = next((d for d in decisions if d.rule.permission in ANIMALS), None)
        yield {
            "week": week,
            "truth": int(club.truth[n, week]),
            "asked": ANIMALS[any(e.kind == "livestock_added" for e in log.events)],
            "measured": _measured(log),
            "permitted": decision is not None and decision.verdict == "yes",
            "reasons": ";".join(_reasons(decision)),
        }


def _measured(log: TankLog) -> bool:
    return all(log.latest_reading(name, 6) is not None for name in ("ammonia", "nitrite"))


def _reasons(decision: Decision | None) -> list[str]:
    if decision is None:
        return [SILENCE]
    if decision.verdict == "yes":
        return []
    reasons: list[str] = [m.need for m in decision.missing]
    if decision.probability.mean < decision.rule.threshold:
        reasons.append(PHASE)
    return list(dict.fromkeys(reasons)) or [OVERRULED]


# Counting ---------------------------------------------------------------------------------


def _share(weeks: pd.DataFrame, hit: pd.Series, weights: Floats) -> Estimate:
    """Share of the weeks that hit; the interval is of resampled clubs, see ``weights``."""
    by_tank = weeks.assign(hit=hit).groupby("tank")["hit"].agg(["sum", "size"])
    hits, sizes = (by_tank[c].reindex(range(weights.shape[1]), fill_value=0) for c in by_tank)
    with np.errstate(invalid="ignore"):
        found = estimate((weights @ hits.to_numpy()) / (weights @ sizes.to_numpy()))
    if len(by_tank) and not hits.any():
        # Resampling cannot show what never came up: 5 % quantile, each tank one trial.
        found = found._replace(high=1 - 0.05 ** (1 / len(by_tank)))
    return found


def permission_row(weeks: pd.DataFrame) -> dict[str, float]:
    """Count the weeks of one world, from :func:`permission_weeks`.

    ``tank_weeks``; ``permitted`` of them, and the share of these in which the tank was truly
    ``cycling``; ``measured`` weeks past cycling, the share of them ``waiting`` for the end of the
    wait after an addition, with ``evidence`` enough, and ``said`` to be permitted; ``ready``, that
    with evidence enough among those that do not wait. The shares have ``_low`` and ``_high`` ends.
    """
    club = weeks.groupby("tank")["club"].first().to_numpy()
    weights = bootstrap_weights(np.unique(club, return_inverse=True)[1])
    needs = weeks["reasons"].map(lambda text: {*text.split(";")} - {"", PHASE, OVERRULED})
    waiting, enough = needs.map(lambda n: bool(n & WAITS)), ~needs.astype(bool)
    permitted, past = weeks["permitted"], (weeks["truth"] > 0) & weeks["measured"]
    shares = {
        "cycling": _share(weeks[permitted], weeks["truth"] == 0, weights),
        "waiting": _share(weeks[past], waiting, weights),
        "evidence": _share(weeks[past], enough, weights),
        "ready": _share(weeks[past & ~waiting], enough, weights),
        "said": _share(weeks[past], permitted, weights),
    }
    row = {"tank_weeks": len(weeks), "permitted": permitted.sum(), "measured": past.sum()}
    for name, share in shares.items():
        row |= {name: share.value, f"{name}_low": share.low, f"{name}_high": share.high}
    return row


def refusals(weeks: pd.DataFrame) -> pd.DataFrame:
    """Count the measured weeks past cycling by what stood against a permission.

    A week counts under each of its reasons: columns ``asked, reason, weeks, share``, the share
    of the measured weeks past cycling in which the same permission was asked for.
    """
    past = weeks[(weeks["truth"] > 0) & weeks["measured"]]
    reasons = past[~past["permitted"]].assign(reason=lambda w: w["reasons"].str.split(";"))
    counts = reasons.explode("reason").groupby(["asked", "reason"]).size()
    rows = counts.rename("weeks").reset_index()
    rows["share"] = rows["weeks"] / rows["asked"].map(past["asked"].value_counts())
    return rows.sort_values(["asked", "weeks"], ascending=[True, False], ignore_index=True)
