"""What the fits of the study of identifiability say, as arrays and as CSV."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from maturity_model._typing import Floats
from maturity_model.lab.studies.contraction import (
    THRESHOLDS,
    contraction,
    group_of,
    share_learned,
    size_at,
)
from maturity_model.lab.studies.identifiability_points import Found, Point
from maturity_model.population.constants import FIT_WEIGHT

#: Decimals of contraction on file.
DIGITS = 3
_HEAD = ("parameter", "group", "weight", "judged", "tanks", "weeks")


@dataclass(frozen=True)
class Contracted:
    """Contraction of every parameter at every point of every club.

    Attributes
    ----------
    names : tuple of str
        Q parameters.
    at : dict of Point to ndarray, shape (Q, C)
        Contraction in each of C clubs.
    off : dict of Point to ndarray, shape (Q, C)
        Posterior mean less the truth, in standard deviations of the prior.
    weeks : int
        Of the clubs of different sizes.
    usual_weight : float
        Evidence weight that ``maturity-model fit`` uses.
    """

    names: tuple[str, ...]
    at: dict[Point, Floats]
    off: dict[Point, Floats]
    weeks: int
    usual_weight: float = FIT_WEIGHT

    @property
    def clubs(self) -> int:
        """Number of clubs."""
        return int(next(iter(self.at.values())).shape[1])

    @property
    def sizes(self) -> tuple[int, ...]:
        """Numbers of tanks, rising."""
        return tuple(
            sorted(p.tanks for p in self.at if self._usual(p) and p.weight == self.usual_weight)
        )

    def _usual(self, point: Point) -> bool:
        return point.weeks == self.weeks and not point.judged

    def by_size(self, weight: float) -> Floats:
        """Contraction by number of tanks, shape (S, Q, C)."""
        return np.stack([self.at[Point(n, self.weeks, weight)] for n in self.sizes])

    def off_by_size(self, weight: float) -> Floats:
        """Posterior mean less the truth by number of tanks, in prior sds, shape (S, Q, C)."""
        return np.stack([self.off[Point(n, self.weeks, weight)] for n in self.sizes])

    def members(self, *keys: str) -> list[int]:
        """Which parameters belong to some groups."""
        return [i for i, name in enumerate(self.names) if group_of(name).key in keys]

    def learned_at(self, weight: float, threshold: float) -> Floats:
        """Tanks at which each parameter is learned in each club, shape (Q, C)."""
        by_size = self.by_size(weight)
        return np.array(
            [
                [size_at(self.sizes, by_size[:, q, c], threshold) for c in range(self.clubs)]
                for q in range(len(self.names))
            ]
        )

    def group_at(
        self, keys: tuple[str, ...], weight: float, threshold: float, share: float
    ) -> Floats:
        """Tanks at which a share of some groups' parameters is learned, shape (C,)."""
        sizes = self.learned_at(weight, threshold)[self.members(*keys)]
        return np.array([share_learned(column, share) for column in sizes.T])


def contracted(found: Found, weeks: int) -> Contracted:
    """Hold posteriors against the prior."""
    at, off = {}, {}
    for point, fits in found.fits.items():
        by_club = np.stack([contraction(f.sd, found.prior_sd) for f in fits], axis=1)
        distance = np.stack([(f.mean - f.truth) / found.prior_sd for f in fits], axis=1)
        # As on file, so that the file gives the same report.
        at[point], off[point] = by_club.round(DIGITS), distance.round(DIGITS)
    return Contracted(found.names, at, off, weeks)


def middle(values: Floats) -> tuple[float, float, float]:
    """Median, smallest and largest over clubs; of an even number the larger middle one."""
    ordered = np.sort(np.ravel(values))
    return float(ordered[len(ordered) // 2]), float(ordered[0]), float(ordered[-1])


def contraction_csv(found: Contracted) -> str:
    """A line for each parameter and point, a column for each club."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    numbers = range(1, found.clubs + 1)
    writer.writerow((*_HEAD, *(f"club_{c}" for c in numbers), *(f"off_{c}" for c in numbers)))
    for point, values in found.at.items():
        about = (f"{point.weight:g}", "yes" if point.judged else "no", point.tanks, point.weeks)
        for name, row, off in zip(found.names, values, found.off[point], strict=True):
            cells = (f"{v:.{DIGITS}f}" for v in (*row, *off))
            writer.writerow((name, group_of(name).key, *about, *cells))
    return text.getvalue()


def read_contraction(path: Path, weeks: int) -> Contracted:
    """Read what :func:`contraction_csv` wrote.

    Parameters
    ----------
    path : Path
    weeks : int
        Of the clubs of different sizes.
    """
    names: dict[str, None] = {}
    at: dict[Point, list[list[float]]] = {}
    off: dict[Point, list[list[float]]] = {}
    with path.open(encoding="utf-8", newline="") as handle:
        for line in csv.DictReader(handle):
            names[line["parameter"]] = None
            point = Point(
                int(line["tanks"]),
                int(line["weeks"]),
                float(line["weight"]),
                line["judged"] == "yes",
            )
            for where, start in ((at, "club_"), (off, "off_")):
                values = [float(v) for k, v in line.items() if k.startswith(start)]
                where.setdefault(point, []).append(values)
    return Contracted(
        tuple(names),
        {p: np.array(v) for p, v in at.items()},
        {p: np.array(v) for p, v in off.items()},
        weeks,
    )


def tanks_csv(found: Contracted) -> str:
    """A line for each parameter, weight and threshold: tanks until it is learned.

    Empty cells: not within the largest club. The smallest club stands for itself or fewer.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("parameter", "group", "weight", "threshold", "tanks", "least", "most"))
    for weight in (found.usual_weight, 1.0):
        for threshold in THRESHOLDS:
            for name, row in zip(found.names, found.learned_at(weight, threshold), strict=True):
                cells = ("" if math.isinf(v) else f"{v:.1f}" for v in middle(row))
                writer.writerow((name, group_of(name).key, f"{weight:g}", f"{threshold:g}", *cells))
    return text.getvalue()


def checks_csv(found: Found) -> str:
    """A line for each parameter that was fitted with long chains too."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("parameter", "tanks", "weeks", "prior_sd", "sd", "sd_long", "ess", "ess_long"))
    for point, long in found.checks.items():
        usual = found.fits[point][0]
        for q, name in enumerate(found.names):
            sds = (f"{v:.4f}" for v in (found.prior_sd[q], usual.sd[q], long.sd[q]))
            ess = (f"{v:.0f}" for v in (usual.ess[q], long.ess[q]))
            writer.writerow((name, point.tanks, point.weeks, *sds, *ess))
    return text.getvalue()
