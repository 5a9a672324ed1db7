"""What holds for all tests."""

from hypothesis import settings

# The same examples in every run, so that a run that has passed passes again. To look for others:
# pytest --hypothesis-profile=default
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")
