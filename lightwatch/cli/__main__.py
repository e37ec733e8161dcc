"""``python -m lightwatch.cli``."""

from lightwatch.cli import main

main()
