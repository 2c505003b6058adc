"""``python -m neumary``: the same as the command ``neumary``."""

from neumary.cli import main

if __name__ == "__main__":
    main()
