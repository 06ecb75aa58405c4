"""Studies of the pooled fit are collected only where its extra is installed."""

from importlib.util import find_spec

_FIT = [
    "test_agreement_study.py",
    "test_fit_studies.py",
    "test_identifiability_fit.py",
    "test_tiny_studies.py",
]
collect_ignore = _FIT if find_spec("pymc") is None else []
