"""Which parts the pooled model has."""

from __future__ import annotations

from dataclasses import dataclass

from maturity_model.fitting.power_tables import Powers


@dataclass(frozen=True)
class ModelOptions:
    """Parts of the model that can be left out or added, for comparison.

    Attributes
    ----------
    persistence : bool
        Whether past sightings of a sign change its odds.
    pace : bool
        Whether tanks differ in pace.
    skill : bool
        Whether keepers differ in skill.
    tank_signs : bool
        Whether each tank shifts the log-odds of each sign, by a normal amount with a spread by
        sign, ``sign_tank_sd``.
    signs, readings, judgements : bool
        Which observations count.
    judgement_weight : float, optional
        Power on the likelihood of judged phases; default: the evidence weight. What makes
        signs of one tank witnesses that have conferred does not touch who judges it.
    """

    persistence: bool = True
    pace: bool = True
    skill: bool = True
    tank_signs: bool = False
    signs: bool = True
    readings: bool = True
    judgements: bool = True
    judgement_weight: float | None = None

    def powers(self, evidence_weight: float) -> Powers:
        """Powers on the likelihood of each kind of observation; 0 where it does not count."""
        judged = evidence_weight if self.judgement_weight is None else self.judgement_weight
        return Powers(
            evidence_weight * self.signs,
            evidence_weight * self.readings,
            judged * self.judgements,
        )

    def provenance(self) -> dict[str, str]:
        """Entries of a fitted population that are needed to take a tank out of its fit."""
        if self.judgement_weight is None:
            return {}
        return {"judgement_weight": f"{self.judgement_weight:g}"}
