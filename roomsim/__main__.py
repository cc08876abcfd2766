"""The command `roomsim`, and `python -m roomsim`: Ctrl-C is answered in one line while everything still loads, too."""

from __future__ import annotations

import sys


def main() -> int:
    """Run the command line and return the exit code; the installed command exits with it."""
    try:
        from .cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("interrupted; nothing was begun\n")
        return 130
    return run()


if __name__ == "__main__":
    sys.exit(main())
