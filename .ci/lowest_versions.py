"""Print pip constraints that pin every dependency and test tool to the lower bound given in pyproject.toml."""

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent / "pyproject.toml"


def lowest_versions() -> list[str]:
    """``name==bound`` of the runtime dependencies and the test extra.

    Raises:
        SystemExit: a dependency without a lower bound.
    """
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    pins = []
    for requirement in [*project["dependencies"], *project["optional-dependencies"]["test"]]:
        found = re.fullmatch(r"([A-Za-z0-9._-]+)(?:\[[a-z]+\])?>=([0-9.]+)", requirement)
        if found is None:
            raise SystemExit(f"pyproject.toml: '{requirement}' is not written as name>=version")
        pins.append(f"{found[1]}=={found[2]}")
    return pins


if __name__ == "__main__":
    print("\n".join(lowest_versions()))
