"""Studies of the pooled fit are collected only where its extra is installed."""

from importlib.util import find_spec

_FIT = ["test_fit_studies.py", "test_identifiability_fit.py"]
collect_ignore = _FIT if find_spec("pymc") is None else []
