import pytest
from made_runs import ENGINES, make_run


@pytest.fixture(scope="session")
def made():
    """One honest run of the 45 cc clearing saw."""
    return make_run(ENGINES[2], 1)


@pytest.fixture(scope="session")
def made_run(made):
    return made.run
