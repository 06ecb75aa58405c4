"""What a keeper asks, answered with probabilities."""

from maturity_model.assessment.answers import assess
from maturity_model.assessment.cautions import Caution, cautions_for
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.assessment.types import (
    Assessment,
    Provenance,
    Reach,
    Reweighting,
    TankAssessment,
)

__all__ = [
    "HORIZONS",
    "Assessment",
    "Caution",
    "Provenance",
    "Reach",
    "Reweighting",
    "TankAssessment",
    "assess",
    "cautions_for",
]
