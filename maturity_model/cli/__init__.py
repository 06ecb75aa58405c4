"""The command line: thin, one module per command, and only the named command is imported."""

from maturity_model.cli.main import main

__all__ = ["main"]
