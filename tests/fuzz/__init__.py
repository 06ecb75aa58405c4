"""Broken logbooks by the thousand, each row of which must be used or reported.

``python -m tests.fuzz --help`` runs as many as are asked for; ``test_fuzz.py`` runs a few.
"""
