"""Run with ``python -m tsfit``, or as the command ``tsfit``."""

import sys


def main() -> None:
    """Run the command line, also where it is broken off while it loads."""
    try:
        from tsfit.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("tsfit: Interrupted; nothing was written.\n")
        sys.exit(2)
    run()


if __name__ == "__main__":
    main()
