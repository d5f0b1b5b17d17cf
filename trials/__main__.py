"""`python -m trials` and the command `trials`."""

import sys

from trials.doors.cli import run


def main() -> None:
    """Run the command line and leave with its exit status."""
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
