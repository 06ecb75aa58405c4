"""The page in the place of a report that could not be made again."""

from __future__ import annotations

from dataclasses import dataclass

from maturity_model.report.views.problems import ALWAYS, Safety


@dataclass(frozen=True)
class WithdrawnView:
    """Why nothing could be assessed; ``why`` and ``command`` may quote a log."""

    why: str
    command: str
    title: str = "Nothing could be assessed"
    safety: tuple[Safety, ...] = ALWAYS
    foot: str = "A vet and the law come first."
