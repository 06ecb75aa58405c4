"""The likelihood in JAX."""
