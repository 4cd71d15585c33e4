"""The simulated engine bench."""
