"""``python -m thermscan``: the same as the ``thermscan`` command."""

import sys

from thermscan.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
