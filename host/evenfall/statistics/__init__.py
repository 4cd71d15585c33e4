"""Groups of runs: repeatability, comparison, control chart."""
