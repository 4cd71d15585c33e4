"""One file per part that hangs on the pins."""
