"""The report on a pooled fit, for researchers: a page, its figures, and tidy CSV."""
