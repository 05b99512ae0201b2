"""Run with ``python -m tsfit``."""

from tsfit.cli import main

if __name__ == "__main__":
    main()
