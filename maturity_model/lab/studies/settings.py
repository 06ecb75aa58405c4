"""The studies that ``maturity-model study`` reruns, and the sizes that each is run at.

A study is a module with ``run(setting, work, processes, say)``, ``page(results, setting)``
and ``summary(results, setting)``, the lines that the command prints. Its committed page is that of
the sizes below. To add a study, add its sizes and its line in :data:`STUDIES`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, ClassVar


def size(usual: int, least: int, most: int = 100_000) -> Any:
    """A whole number that the command asks for."""
    return field(default=usual, metadata={"least": least, "most": most})


def seed(usual: int) -> Any:
    """The seed of a study; no two studies share theirs."""
    return size(usual, 0, 2**31)


@dataclass(frozen=True)
class Setting:
    """Sizes of a study; its fields are the options of the command.

    ``study`` is its name in the command, and its folder under ``reports/`` with underscores;
    ``fits`` says whether the extra ``fit`` is needed.
    """

    study: ClassVar[str]
    fits: ClassVar[bool] = False

    @property
    def command(self) -> str:
        """The command that makes the page, without options that are as usual."""
        options = [
            f"--{f.name.replace('_', '-')} {value}"
            for f in fields(self)
            if (given := getattr(self, f.name)) != f.default
            for value in (given if isinstance(given, tuple) else (given,))
        ]
        out = f"--out reports/{self.study.replace('-', '_')}"
        return " ".join(["maturity-model study", self.study, *options, out])

    @property
    def reduced(self) -> str:
        """A sentence for the page of a run with any smaller size; empty for a full one."""
        sizes = (f for f in fields(self) if f.name != "seed")
        if any(getattr(self, f.name) < f.default for f in sizes):
            return f"This is a **reduced** run; the full one is `{type(self)().command}`."
        return ""


@dataclass(frozen=True)
class EvidenceWeight(Setting):
    """Tanks and weeks of each world."""

    study = "evidence-weight"
    tanks: int = size(240, 12)
    weeks: int = size(60, 10)
    seed: int = seed(7)


@dataclass(frozen=True)
class Surprise(Setting):
    """Tanks and weeks of each simulation."""

    study = "surprise"
    tanks: int = size(200, 6)
    weeks: int = size(60, 10)
    seed: int = seed(2028)


@dataclass(frozen=True)
class Misfit(Setting):
    """Tanks of each case of :mod:`maturity_model.lab.validation.cases`, and which; none for all."""

    study = "misfit"
    tanks: int = size(40, 2)
    own_tanks: int = size(200, 2)
    seed: int = seed(77)
    case: tuple[str, ...] = ()


@dataclass(frozen=True)
class Agreement(Setting):
    """New tanks, tanks of the pool, weeks of the oldest, draws of each chain."""

    study, fits = "agreement", True
    tanks: int = size(20, 2)
    pool: int = size(20, 2)
    weeks: int = size(40, 6)
    draws: int = size(400, 50)
    seed: int = seed(53)


@dataclass(frozen=True)
class Coverage(Setting):
    """Clubs, and tanks and weeks of each."""

    study, fits = "coverage", True
    replications: int = size(20, 2)
    tanks: int = size(60, 2)
    weeks: int = size(60, 6)
    seed: int = seed(47)


@dataclass(frozen=True)
class Calibration(Setting):
    """Clubs, and tanks and weeks of each."""

    study, fits = "calibration", True
    replications: int = size(200, 2)
    tanks: int = size(8, 2)
    weeks: int = size(20, 6)
    seed: int = seed(31)


@dataclass(frozen=True)
class Identifiability(Setting):
    """Clubs, tanks of the largest, weeks of those of different sizes and of the longest log."""

    study, fits = "identifiability", True
    clubs: int = size(3, 1)
    tanks: int = size(160, 5)
    weeks: int = size(60, 6)
    longest: int = size(104, 6)
    draws: int = size(300, 20)
    tune: int = size(300, 50)
    seed: int = seed(83)


@dataclass(frozen=True)
class Pooling(Setting):
    """Clubs whose pools are fitted, tanks of a pool, and further tanks, which are scored.

    ``weight_clubs`` of each kind are those from which the weight is read off.
    """

    study, fits = "pooling", True
    clubs: int = size(2, 1)
    pool: int = size(150, 5)
    tanks: int = size(200, 2)
    weeks: int = size(60, 10)
    draws: int = size(250, 20)
    tune: int = size(300, 50)
    weight_clubs: int = size(12, 2)
    seed: int = seed(61)


#: Sizes and one line about each study.
STUDIES: dict[type[Setting], str] = {
    EvidenceWeight: "which power on the likelihood predicts best",
    Surprise: "false alarms of the surprises, and collapses they catch",
    Misfit: "how often a log is flagged as a bad fit, with and without cause",
    Agreement: "weekly updates against full refits",
    Coverage: "how often the fit's intervals hold the truth",
    Calibration: "simulation-based calibration of the fit",
    Identifiability: "how many tanks and weeks until each parameter is learned",
    Pooling: "which way of pooling finds the phases of further tanks",
}
