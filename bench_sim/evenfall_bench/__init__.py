"""The engine bench in software."""
