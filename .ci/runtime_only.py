"""Import the whole installed package and make sure that nothing but its own dependencies was there to help.

To be run by the Python of an environment that holds the built wheel: ``python .ci/runtime_only.py CLONE``.
"""

import importlib
import pkgutil
import re
import sys
import tempfile
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path


def main(clone: Path) -> None:
    """Stop with a message where a tool of an extra is installed, a module fails, or the clone itself is imported."""
    project = tomllib.loads((clone / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for requirement in (each for extra in project["optional-dependencies"].values() for each in extra):
        name = re.split("[^A-Za-z0-9._-]", requirement)[0]
        try:
            sys.exit(f"{name} {version(name)} is installed: this environment proves nothing about the wheel")
        except PackageNotFoundError:
            continue
    import taptest

    folder = Path(taptest.__file__).parent
    if clone in folder.parents:
        sys.exit(f"taptest was imported from the clone ({folder}), not from the wheel")
    modules = [module.name for module in pkgutil.walk_packages(taptest.__path__, "taptest.")]
    for name in modules:
        if not name.endswith("__main__"):
            importlib.import_module(name)
    from taptest.beam.construction import construction_names, load_construction

    names = construction_names()
    in_clone = sorted(path.stem for path in (clone / "calibration" / "constructions").glob("*.toml"))
    if names != in_clone:
        sys.exit(f"the wheel ships the constructions {names}, the clone has {in_clone}")
    for name in names:
        load_construction(name)
    from taptest.beam.bar import bar_names, load_bar

    if bar_names() != sorted(path.stem for path in (clone / "calibration" / "bars").glob("*.toml")):
        sys.exit(f"the wheel ships the bars {bar_names()}, which are not those of the clone")
    for name in bar_names():
        load_bar(name)
    from taptest.logbook.book import open_logbook

    with tempfile.TemporaryDirectory() as scratch, open_logbook(Path(scratch) / "logbook.sqlite") as book:
        if book.skis() != ((), False):
            sys.exit("a new logbook is not empty")
    print(f"taptest {taptest.__version__}: {len(modules)} modules and {len(names)} constructions, from {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
