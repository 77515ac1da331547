"""Where `bringup` and `python -m bringup` begin."""

from __future__ import annotations

import sys

from bringup.commands.collecting import put_off


def entry() -> None:
    """Start from the shell."""
    put_off()  # before anything large is imported
    from bringup.commands.main import main

    sys.exit(main())


if __name__ == "__main__":
    entry()
