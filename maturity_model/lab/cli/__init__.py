"""Commands of the laboratory: ``simulate``, ``validate`` and ``study``."""
