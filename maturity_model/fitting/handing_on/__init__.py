"""What the weekly command gets of a fit: practice's numbers or the pool's, and which weight."""
