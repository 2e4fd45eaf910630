"""`python -m takemill` is the `takemill` command."""

import sys

from .shell.cli import main

sys.exit(main())
