"""``python -m taptest``."""

from taptest.cli import main

main()
