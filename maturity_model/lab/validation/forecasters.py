"""The forecasters that are compared: their names, and how figures show them."""

from __future__ import annotations

from typing import NamedTuple

#: Reference forecasts, in the order of the tables.
BASELINES = ("age", "readings", "checklist", "plain_hmm")
#: The program with the default population, and the classifier that bounds what can be reached.
TOOL, CEILING = "tool", "ceiling"
#: The program with a population from a pooled fit: without judgements, and with some.
FITTED, FITTED_JUDGED = "tool, fitted", "tool, fitted with judgements"
#: The pooled fits: forecaster, and the share of fitted tanks whose keeper judges the phase.
FITS = ((FITTED, 0.0), (FITTED_JUDGED, 0.2))


class Look(NamedTuple):
    """Label, colour and marker of a forecaster; the marker repeats what the colour says."""

    label: str
    colour: str
    marker: str


#: Colours after Okabe and Ito (2008).
LOOKS = {
    "age": Look("age alone", "#767676", "o"),
    "readings": Look("readings rule", "#a8720a", "s"),
    "checklist": Look("checklist count", "#b0477f", "^"),
    "plain_hmm": Look("plain HMM", "#c34d00", "D"),
    TOOL: Look("the program", "#0072b2", "o"),
    FITTED: Look("the program, fitted", "#3c9ad0", "s"),
    FITTED_JUDGED: Look("the program, fitted, a fifth judged", "#00507f", "^"),
    CEILING: Look("ceiling", "#007a56", "D"),
}
