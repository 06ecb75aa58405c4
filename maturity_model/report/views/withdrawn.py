"""The page in the place of a report that could not be made again."""

from __future__ import annotations

from dataclasses import dataclass

from maturity_model.report.plain_text import cut
from maturity_model.report.views.problems import ALWAYS, Safety


@dataclass(frozen=True)
class WithdrawnView:
    """Why there is no report."""

    why: str
    command: str
    title: str = "Nothing could be assessed"
    safety: tuple[Safety, ...] = ALWAYS
    foot: str = "A vet and the law come first."


def withdrawn_view(why: str, command: str) -> WithdrawnView:
    """Say why nothing could be assessed; both texts may quote a log."""
    return WithdrawnView(cut(why, 1000), cut(command, 1000))
