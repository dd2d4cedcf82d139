"""``python -m sigbench``: the command line."""

import sys

from sigbench.cli import main

if __name__ == "__main__":
    sys.exit(main())
