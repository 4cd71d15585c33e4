"""From raw counts and times to corrected torque and power with uncertainty: pure functions."""
