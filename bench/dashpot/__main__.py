"""`python -m dashpot` is the same as the command `dashpot`."""

import sys

from dashpot.cli import main

if __name__ == "__main__":
    sys.exit(main())
