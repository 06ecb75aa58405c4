"""Phase and risk for every tank of a pool, of whatever size."""

from maturity_model.scoring.job import ScoringError
from maturity_model.scoring.run import ScoreReport, score

__all__ = ["ScoreReport", "ScoringError", "score"]
