"""The archive of runs: one SQLite file."""
