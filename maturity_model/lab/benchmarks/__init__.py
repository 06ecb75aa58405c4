"""Speed beside named peers, in one run: ``python -m maturity_model.lab.benchmarks``."""
