"""What the weekly command gets of a fit: practice, or what the pool taught, and on whose word."""
