"""Settings of the whole suite. No test depends on wall time, so hypothesis sets no deadline either."""

import sys

import pytest
from hypothesis import settings

settings.register_profile("no-deadline", deadline=None)
settings.load_profile("no-deadline")


@pytest.fixture(autouse=True)
def _numbers_print_as_ever():
    """Undo what importing colour-science does to numpy's printing for the whole process; pictures depend on it."""
    if "numpy" in sys.modules:
        sys.modules["numpy"].set_printoptions(legacy=False)
