"""Print one of the README's two set-up commands: ``python3 .ci/readme_command.py try`` or ``... tests``."""

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parent.parent / "README.md"


def readme_command(name: str) -> str:
    """The shell code that follows ``<!-- command: NAME -->`` in the README.

    Raises:
        SystemExit: the README has no such command, or more than one.
    """
    block = rf"<!-- command: {re.escape(name)} -->\n```sh\n(.+?)\n```\n"
    found = re.findall(block, README.read_text(encoding="utf-8"), flags=re.DOTALL)
    if len(found) != 1:
        raise SystemExit(f"README.md: {len(found)} commands '{name}', exactly one is expected")
    return str(found[0])


if __name__ == "__main__":
    print(readme_command(sys.argv[1]))
