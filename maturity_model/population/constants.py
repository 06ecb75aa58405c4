"""Defaults of the population that ships with the package."""

#: Draws and seed.
DEFAULT_DRAWS, DEFAULT_SEED = 256, 20261125
#: Power on the likelihood; chosen by the study whose result lies in reports/evidence_weight.
DEFAULT_EVIDENCE_WEIGHT = 0.45
