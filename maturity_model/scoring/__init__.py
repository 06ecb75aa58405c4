"""Phase and risk for every tank of a pool of any size, as Parquet files.

A ``job`` is cut into parts (``parts``), which ``run`` scores in this process, in several or on
a cluster; ``tanks`` filters, and ``saved_filters`` makes the next run cost its new weeks only.
"""

from maturity_model.scoring.job import ScoringError
from maturity_model.scoring.run import ScoreReport, score

__all__ = ["ScoreReport", "ScoringError", "score"]
