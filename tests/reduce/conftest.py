import pytest
from made_pulls import ENGINES, make_pull


@pytest.fixture(scope="session")
def made():
    """One honest pull of the 45 cc clearing saw."""
    return make_pull(ENGINES[2], 1)


@pytest.fixture(scope="session")
def made_run(made):
    return made.run
