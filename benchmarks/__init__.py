"""How fast, beside what others take in the same run: ``python -m benchmarks``."""
