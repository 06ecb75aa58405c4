"""The command line: one thin module per command, of which only the named one is imported.

A module has ``add_options`` and ``run``, which calls one function of a lower layer and turns
its errors into exit codes (``common.py``). ``main.py`` lists the commands; those of the
laboratory are in ``lab/cli`` and are found by name. Options and exit codes are a contract.
"""

from maturity_model.cli.main import main

__all__ = ["main"]
