"""`python -m pipeline` is the command `spanwarden`."""

import sys

from pipeline.cli import main

if __name__ == "__main__":
    sys.exit(main())
