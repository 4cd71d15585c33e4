"""protocol/ holds two scripts beside the package; the tests call them as modules too."""

import sys

from wire_references import PROTOCOL

sys.path.insert(0, str(PROTOCOL))
