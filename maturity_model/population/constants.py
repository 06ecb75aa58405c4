"""Defaults of the population that ships with the package."""

#: Draws and seed.
DEFAULT_DRAWS, DEFAULT_SEED = 256, 20261125
#: Power on the likelihood; reports/evidence_weight has its costs and the reasons for it.
DEFAULT_EVIDENCE_WEIGHT = 0.4

# Spreads of priors that are the same for every entry of the catalogue. All are [E]: elicited
# by the authors as wide priors, no source.
#: Standard deviation of the log of a baseline rate of setbacks or collapses.
BASELINE_SD = 0.5
#: Of a sign's persistence; of the log of a reading's spread; of a reading's carry.
PERSISTENCE_SD, READING_SD_SD, CARRY_SD = 0.3, 0.15, 0.1
#: Median of the spread of tanks' own shifts of a sign's log-odds, and spread of its logarithm.
SIGN_TANK_SD, SIGN_TANK_SD_SD = 0.5, 0.5
#: Least spread of pace and skill.
LEAST_SD = 0.02

#: Default way of fitting of ``maturity-model fit``, as reports/pooling names it.
DEFAULT_WAY = "whole"
#: Evidence weight of the fit itself when the one for weekly reports is chosen afterwards.
FIT_WEIGHT = 0.4
