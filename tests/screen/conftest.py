"""Run files made from the message table serve the tests of the screen, too."""

import sys
from pathlib import Path

sys.path += [str(Path(__file__).parents[1] / place) for place in ("host", "reduce")]
