"""Lots for the tests of the report: the twelve classic skis of the demonstration, and rows that mean no good."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

from support.places import DEMO

# Text that a page, a spreadsheet, a picture or a reader could take for something else.
HOSTILE = (
    "<script>document.title='taken'</script>",
    '"><img src=x onerror="document.title=1">',
    "' onmouseover='document.title=1",
    '=HYPERLINK("http://example.invalid")',
    "\u202egnitirw\u202c \u05e2\u05d1\u05e8\u05d9\u05ea",
    r"$\frac{1}{0}$ {{ 7*7 }} _x",
    ' id="p1" d="M 0 0"',
    "</style></script><b>&amp;",
    "\u96ea" * 400,
)
BIG_NOTE = "long " * 100


def classic_lot(folder: Path, *, hostile: bool = True) -> Path:
    """A table with the classic skis of the demonstration and, on request, hostile rows after them."""
    with (DEMO / "lot.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["ski_id"].startswith("C")]
    for row in rows:
        row["recording"] = str(row["recording"])
        (folder / row["recording"]).write_bytes((DEMO / row["recording"]).read_bytes())
    if hostile:
        rows += [
            {
                **rows[at % 4],
                "ski_id": text,
                "pair_id": text,
                "generation": text[:30],
                "note": BIG_NOTE + text,
                # The first sounds; a soft ski with a second copy of a recording is looked at like any other.
                "recording": "hostile.flac" if at == 0 else "",
                "mass_g": "580" if at == 0 else rows[at % 4]["mass_g"],
            }
            for at, text in enumerate(HOSTILE)
        ]
        (folder / "hostile.flac").write_bytes((DEMO / "c03l.flac").read_bytes())
    path = folder / "lot.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]))
        table.writeheader()
        table.writerows(rows)
    return path


@dataclass(frozen=True)
class Shown:
    """One number of a page: whose it is (ski, mode, group, other, by number), its key, value, factor and text."""

    whose: dict[str, int]
    key: str
    value: float
    scale: float
    text: str


class Page(HTMLParser):
    """What a page holds, read without a browser."""

    VOID = ("meta", "br", "input", "img", "link", "hr")

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.numbers: list[Shown] = []
        self.texts: list[str] = []
        self.raw: dict[str, list[str]] = {"style": [], "script": []}
        self._stack: list[tuple[str, dict[str, str]]] = []
        self.feed(html)
        self.close()
        assert self._stack == [], self._stack

    def handle_starttag(self, tag, attrs):
        given = {name: value or "" for name, value in attrs}
        assert len(given) == len(attrs), f"an attribute twice: {attrs}"
        self.tags.append((tag, given))
        if tag not in self.VOID:
            self._stack.append((tag, given))

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag):
        assert self._stack and self._stack[-1][0] == tag, f"</{tag}> closes {self._stack[-1:]}"
        self._stack.pop()

    def handle_data(self, data):
        tag, given = self._stack[-1] if self._stack else ("", {})
        if tag in self.raw:
            self.raw[tag].append(data)
            return
        self.texts.append(data)
        if tag == "data":
            whose = {
                name: int(attributes[f"data-{name}"])
                for name in ("ski", "mode", "group", "other")
                for _, attributes in self._stack
                if f"data-{name}" in attributes
            }
            scale = float(given.get("data-scale", 1))
            self.numbers.append(Shown(whose, given["data-key"], float(given["value"]), scale, data))

    @property
    def text(self) -> str:
        return "".join(self.texts)
