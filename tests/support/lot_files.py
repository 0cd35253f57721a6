"""Lot tables written byte by byte for the tests: csv in every dialect, and a minimal xlsx."""

import io
import zipfile
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import soundfile

COLUMNS = (
    "ski_id",
    "pair_id",
    "side",
    "construction",
    "length_mm",
    "mass_g",
    "stiffness_n_per_mm",
    "span_mm",
    "recording",
    "note",
)
GOOD = {
    "ski_id": "0101",
    "pair_id": "01",
    "side": "L",
    "construction": "tapered",
    "length_mm": "1900",
    "mass_g": "520",
    "stiffness_n_per_mm": "3.2",
    "span_mm": "1400",
    "recording": "a.wav",
    "note": "",
}


def with_recordings(folder):
    """A folder with two half-second recordings, a.wav and sub/b.wav, and a folder that is none."""
    ring = 0.5 * np.exp(-np.arange(24_000) / 8_000) * np.sin(np.arange(24_000) / 48.0)
    (folder / "sub").mkdir(exist_ok=True)
    soundfile.write(folder / "a.wav", ring, 48_000)
    soundfile.write(folder / "sub" / "b.wav", ring, 48_000)
    return folder


def row(**cells):
    """A good row with some cells replaced; None removes a column, new names add one."""
    return {name: cell for name, cell in {**GOOD, **cells}.items() if cell is not None}


def csv_text(rows, separator=",", newline="\n"):
    """Rows of one set of columns as csv, quoted where a cell needs it."""

    def quoted(cell):
        return (
            '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in (separator, '"', "\n", "\r")) else cell
        )

    lines = [separator.join(quoted(name) for name in rows[0])]
    lines += [separator.join(quoted(cell) for cell in line.values()) for line in rows]
    return newline.join(lines) + newline


def column_letters(index):
    """A, B, … Z, AA, … of a column counted from 0."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def xlsx_bytes(lines, *, raw_cells="", state="visible", extra_sheet=False):
    """A workbook with the fewest parts that ECMA-376 part 1 asks for: str as inline text, numbers as numbers.

    A cell given as ("formula", text, cached) is a formula with its stored result, or None for none.
    """
    body = ""
    for number, line in enumerate(lines, 1):
        cells = ""
        for index, cell in enumerate(line):
            at = f'r="{column_letters(index)}{number}"'
            if isinstance(cell, tuple):
                stored = "" if cell[2] is None else f"<v>{cell[2]}</v>"
                cells += f"<c {at}><f>{escape(cell[1])}</f>{stored}</c>"
            elif isinstance(cell, str):
                cells += (
                    f'<c {at} t="inlineStr"><is><t xml:space="preserve">{escape(cell)}</t></is></c>' if cell else ""
                )
            else:
                cells += f"<c {at}><v>{cell!r}</v></c>"
        body += f'<row r="{number}">{cells}</row>'
    main = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    relation = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    sheet = f"<worksheet {main}><sheetData>{body}{raw_cells}</sheetData></worksheet>"
    names = ["skis", "other"] if extra_sheet else ["skis"]
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType='
        '"application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
        + "".join(
            f'<Override PartName="/xl/worksheets/sheet{number}.xml" ContentType="{kind}.worksheet+xml"/>'
            for number in range(1, len(names) + 1)
        )
        + "</Types>",
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
        f'Type="{relation}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook {main} xmlns:r="{relation}"><sheets>'
        + "".join(
            f'<sheet name={quoteattr(name)} sheetId="{number}" state="{state}" r:id="r{number}"/>'
            for number, name in enumerate(names, 1)
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships">'
        + "".join(
            f'<Relationship Id="r{number}" Type="{relation}/worksheet" Target="worksheets/sheet{number}.xml"/>'
            for number in range(1, len(names) + 1)
        )
        + "</Relationships>",
    }
    for number in range(1, len(names) + 1):
        parts[f"xl/worksheets/sheet{number}.xml"] = sheet
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, '<?xml version="1.0" encoding="UTF-8"?>' + text)
    return target.getvalue()
