"""`python -m takemill` is the `takemill` command."""

import sys

from .cli import main

sys.exit(main())
