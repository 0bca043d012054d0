"""`python -m matbridge` is the same program as the `matbridge` command."""

import sys

from matbridge.cli.main import main

sys.exit(main())
