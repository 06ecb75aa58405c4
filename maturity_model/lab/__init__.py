"""The laboratory: what proves the product, and nothing that a keeper runs.

``worlds/`` simulates clubs whose truth is known, ``studies/`` and ``validation/`` hold the
program against them, ``benchmarks/`` times it beside named peers, ``cli/`` has the commands.
Nothing outside this folder imports it, except that the command line finds its commands by name.
Pandas, xarray, SciPy and matplotlib may be used freely here.
"""
