"""Property tests without a clock: examples are the same in every run, and a busy machine fails none."""

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")
