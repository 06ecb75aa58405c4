"""The pooled fit's tests are collected only where its extra is installed."""

from importlib.util import find_spec

FIT = [
    "test_comparison.py",
    "test_approximate.py",
    "test_convergence.py",
    "test_cut.py",
    "test_drift.py",
    "test_fit.py",
    "test_fit_command.py",
    "test_report.py",
    "test_leave_one_out.py",
    "test_likelihood.py",
    "test_model.py",
    "test_model_parts.py",
    "test_op.py",
    "test_panel_op.py",
    "test_prior_shift_search.py",
    "test_other_sampler.py",
]
collect_ignore = FIT if find_spec("pymc") is None else []
