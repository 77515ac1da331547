"""So that `python -m bringup` works like `bringup`."""

from bringup.commands.main import entry

if __name__ == "__main__":
    entry()
