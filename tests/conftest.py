"""What holds for every test: reproducible property tests, and no time limit on a single example."""

from hypothesis import settings

settings.register_profile("matbridge", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("matbridge")
