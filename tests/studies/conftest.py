"""Studies of the pooled fit are collected only where its extra is installed."""

from importlib.util import find_spec

collect_ignore = ["test_fit_studies.py"] if find_spec("pymc") is None else []
