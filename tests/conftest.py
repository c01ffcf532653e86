"""Settings of the whole suite. No test depends on wall time, so hypothesis sets no deadline either."""

from hypothesis import settings

settings.register_profile("no-deadline", deadline=None)
settings.load_profile("no-deadline")
