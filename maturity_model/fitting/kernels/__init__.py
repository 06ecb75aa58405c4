"""Compiled kernels of the fit: tables, event loads and the chain, each with its gradient."""
