"""Tanks and keepers that the population knows already, because they were in its pool."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.assessment.types import OwnSkill
from maturity_model.logbook import CheckIn, Event
from maturity_model.panel import build_panel
from maturity_model.population.members import log_key
from maturity_model.population.tables import sign_table
from maturity_model.population.types import PARTS

#: Whether a tank was in the pool; ``changed``: yes, but its log of that time has been edited.
InPool = Literal["no", "same", "changed"]


@dataclass(frozen=True)
class PoolMembership:
    """What the population's pool contributes about one tank.

    Attributes
    ----------
    skill : OwnSkill or None
        Of its keeper; None where it is not known.
    in_pool : {'no', 'same', 'changed'}
    """

    skill: OwnSkill | None
    in_pool: InPool

    def notes(self, tables: Tables) -> list[str]:
        """Sentences for the reader."""
        members, out = tables.population.members, []
        if self.skill is not None:
            low, high = (f"{x:.2g}" for x in np.exp([self.skill.low, self.skill.high]))
            out.append(
                "Skill learned from the pool: this keeper was recognised, and sees small signs "
                f"with {float(np.exp(self.skill.mean)):.2g} times the usual odds (nine in ten "
                f"draws: {low} to {high})."
            )
        if members is None or self.in_pool == "no":
            return out
        learned = tables.population.learned
        if not learned:
            rest = (
                ". The numbers used here are practice's, which its log did not shape; nothing is "
                "taken out."
            )
        elif len(learned) < len(PARTS):
            rest = (
                ". Some of the numbers used here are the pool's; what they learned from it "
                "counts twice, so the answer is somewhat too sure."
            )
        elif self.in_pool == "same":
            rest = ". What was learned from it is not counted a second time."
        else:
            rest = (
                ", but its log up to then has been changed since. What the population "
                "learned from it counts twice here, so the answer is somewhat too sure."
            )
        out.append(
            "This tank was in the pool that the population was learned from, up to "
            f"{members.as_of.isoformat()}{rest}"
        )
        return out


class PoolLookup:
    """The tanks of an assessment, looked up in the pool of its population.

    Parameters
    ----------
    tables : Tables
        Of all tanks.
    checkins, events : mapping
        All rows of the log, by tank, whatever day is asked about.
    """

    def __init__(
        self,
        tables: Tables,
        checkins: Mapping[str, tuple[CheckIn, ...]],
        events: Mapping[str, tuple[Event, ...]],
    ):
        self.tables, self.checkins = tables, checkins
        self.in_pool: dict[str, InPool] = {}
        self.pool: Tables | None = None
        members, panel = tables.population.members, tables.panel
        if members is None or not members.key:
            return
        for tank in panel.tanks:
            pooled = members.log_of(tank)
            if pooled is not None and tank.started <= members.as_of:
                rows = checkins.get(tank.name, ()), events.get(tank.name, ())
                same = log_key(members.key, tank, *rows, members.as_of) == pooled
                self.in_pool[tank.name] = "same" if same else "changed"
        # Draws of practice have not used any tank's log.
        if "same" in self.in_pool.values() and len(tables.population.learned) == len(PARTS):
            then = build_panel(panel.logbook, panel.catalogue, members.as_of)
            # With the evidence weight of the fit, not the one asked for now.
            self.pool = make_tables(
                then, tables.population, nodes=(len(tables.pace), len(tables.skill))
            )

    def of(self, n: int) -> tuple[Tables, PoolMembership]:
        """Tables for tank n given its keeper's skill, without its own log in the prior."""
        tables, members = self.tables, self.tables.population.members
        if members is None:
            return tables, PoolMembership(None, "no")
        tank = tables.panel.tanks[n]
        # All check-ins: a skill is used only if nobody else ever looked at the tank.
        skill = members.skill_of(tank, self.checkins.get(tank.name, ()))
        in_pool = self.in_pool.get(tank.name, "no")
        if skill is not None:
            tables = with_skill(tables, n, skill)
        if in_pool == "same" and self.pool is not None:
            then = [t.name for t in self.pool.panel.tanks].index(tank.name)
            pool = self.pool if skill is None else with_skill(self.pool, then, skill)
            counted = filter_tank(pool, then)[0].log_likelihood[-1]
            # The fit has already used this tank's log. Divide its likelihood out, or it
            # counts twice.
            tables = replace(tables, log_prior=-counted)
        return tables, PoolMembership(None if skill is None else _summary(skill), in_pool)


def _summary(skill: Floats) -> OwnSkill:
    low, high = np.quantile(skill, [0.05, 0.95])
    return OwnSkill(float(skill.mean()), float(low), float(high))


def with_skill(tables: Tables, n: int, skill: Floats) -> Tables:
    """Tables for tank n alone, given its keeper's skill (log-odds less the usual) in each draw.

    They have a single node for skill, and a panel that holds the signs of tank n only.
    """
    panel, population = tables.panel, tables.population
    sd = population.skill_sd
    # Nodes are in units of the spread of skill; where that is 0, so is the node.
    node = np.divide(skill, sd, out=np.zeros_like(skill), where=sd > 0)[None]
    rows = np.arange(len(panel.checked))
    here = (rows >= panel.first[n]) & (rows < panel.first[n + 1])
    panel = replace(panel, signs=panel.signs.only(here))
    return replace(
        tables,
        panel=panel,
        skill=node,
        node_prior=tables.node_prior.sum(axis=1, keepdims=True),
        signs=sign_table(panel, population, node, tables.evidence_weight),
    )
