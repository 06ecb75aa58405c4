"""What a keeper asks, answered with probabilities.

``answers.py`` puts an assessment together and ``types.py`` holds it; ``filtering.py`` makes
the likelihood tables of a panel and filters one tank. ``questions.py`` asks everything beyond
phase and risk, one module a question; ``cautions.py`` holds whatever may hurt. Nothing here
reads or writes a file, or knows a page. Where a function takes ``tables``, ``n`` and
``mixture``, the mixture is tank n of the panel, filtered under these tables. Add a question as
``DEVELOPERS.md`` says; the fields of the result types are what ``report/`` and the JSON records
show.
"""

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
