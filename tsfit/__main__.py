"""Run with ``python -m tsfit``, or as the command ``tsfit``."""

import sys

from tsfit.base.breaks import Breaks
from tsfit.base.lean import for_a_command


def main() -> None:
    """Run the command line, also where it is broken off while it loads."""
    breaks = Breaks()
    for_a_command()
    try:
        from tsfit.cli import main as run

        run()
    except SystemExit as leave:
        status = leave.code
    except KeyboardInterrupt:
        sys.stderr.write("tsfit: Interrupted; nothing was written.\n")
        status = 2
    breaks.leave(status if isinstance(status, int) else 2)


if __name__ == "__main__":
    main()
