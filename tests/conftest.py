"""What holds for every test: reproducible property tests, and no time limit on a single example;
and Ctrl-C ends programs also where the tests run in the background of a shell, which keeps it off.
"""

import signal

from hypothesis import settings

settings.register_profile("matbridge", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("matbridge")

signal.signal(signal.SIGINT, signal.default_int_handler)
