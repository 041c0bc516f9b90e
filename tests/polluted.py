"""One small export and every way in which its rows are damaged here; nothing of the program is used.

A damage takes the cells of one row as written, a column, and the dialect, and gives the row's new text, or
None where it makes no sense. What a damaged row may say is told by Python's own strict CSV reader and by
plain `float`.
"""

import csv
import io
import re
from dataclasses import dataclass
from datetime import date

FIELDS = {  # heading: field
    "Visit": "inspection_id", "Home": "home_id", "Day": "inspected_on", "Area": "region", "Crew": "crew",
    "Tank": "tank_type",
    "Cold P": "cold_pressure_psig", "Cold T": "cold_temperature_f", "Hot P": "hot_pressure_psig",
    "Meter": "makeup_meter_gal", "Remarks": "notes", "Charge": "precharge_psig",
}  # fmt: skip
WIDTH = len(FIELDS)
WIDE = {ord(digit): 0xFF10 + int(digit) for digit in "0123456789"}
NUMBERS = {6, 7, 8, 9, 11}
CREWS = ["Crew 1", "North, East & Sons", "Crew 2"]
REMARKS = [
    "seen twice",
    "",
    'a "good" loop',
    "first line\nsecond, line",
    "60 °F; tank, vent",
    "",
    "done",
    "3 radiators",
]
ROWS = [
    [f"V-{4107 + 7 * i}", f"H{230 + i}", f"2024-{i % 12 + 1:02d}-{i + 3:02d}", "Lake", CREWS[i % 3],
        ("diaphragm", "", "plain_steel")[i % 3],
     f"{12 + i % 5}.5", f"{64 + i % 7}", f"{19 + i % 6}.0", ("1218.25", "", "940.5")[i % 3], REMARKS[i],
     ("12.0", "11.5", "")[i % 3]]
    for i in range(8)
]  # fmt: skip


@dataclass(frozen=True)
class Form:
    """How an export is written."""

    separator: str
    end: str = "\n"
    decimal: str = "."
    quoting: int = csv.QUOTE_MINIMAL
    encoding: str = "utf-8"

    def mapping(self):
        columns = "".join(f'[columns."{heading}"]\nfield = "{field}"\n' for heading, field in FIELDS.items())
        return f'agency = "Alder"\ndecimal = "{self.decimal}"\n{columns}'

    def rows(self):
        return [
            [cell.replace(".", self.decimal) if c in NUMBERS else cell for c, cell in enumerate(row)]
            for row in ROWS
        ]

    def written(self, cells):
        """Each cell as it stands in the file."""
        return [
            self._line([cell, "x"]).removesuffix(self._line(["x"]))[: -len(self.separator)] for cell in cells
        ]

    def _line(self, cells):
        text = io.StringIO(newline="")
        csv.writer(text, delimiter=self.separator, lineterminator="\n", quoting=self.quoting).writerow(cells)
        return text.getvalue().removesuffix("\n")

    def file(self, texts, last_end=True):
        text = self.end.join([self.separator.join(self.written(list(FIELDS))), *texts]) + (
            self.end if last_end else ""
        )
        return text.encode(self.encoding, "surrogateescape")


FORMS = {
    "comma": Form(","),
    "semicolon, decimal comma": Form(";", decimal=","),
    "CRLF, all in quotes": Form(",", "\r\n", quoting=csv.QUOTE_ALL),
    "tab, Windows-1252": Form("\t", "\r\n", encoding="cp1252"),
}


def put(cells, c, form, *new):
    """The row with other cells in the place of one."""
    return form.separator.join([*cells[:c], *new, *cells[c + 1 :]])


def inside(cell, insert):
    at = (len(cell) + 1) // 2
    return cell[:at] + insert + cell[at:]


def joined(cells, c, form, mark=""):
    """The row with `mark` instead of the separator after a column."""
    return (
        form.separator.join([*cells[:c], mark.join(cells[c : c + 2]), *cells[c + 2 :]])
        if c < len(cells) - 1
        else None
    )


def moved(cells, c, form, by):
    """A separator missing after a column, and one too many some columns on."""
    at = (c + by) % len(cells)
    if c >= len(cells) - 1 or at in (c, c + 1):
        return None
    new = [*cells[:c], cells[c] + cells[c + 1], *cells[c + 2 :]]
    at -= at > c
    return form.separator.join([*new[:at], "", *new[at:]])


def other_of(form):
    return "," if form.separator == ";" else ";"


def plain(cell):
    """A cell that has no quotes round it, and none in it."""
    return '"' not in cell


def number(change):
    """A damage of the digits of a number."""

    def damage(cells, c, form):
        text = cells[c].strip('"')
        if c not in NUMBERS or not text:
            return None
        new = change(text)
        return put(cells, c, form, f'"{new}"' if form.separator in new or '"' in cells[c] else new)

    return damage


DAMAGE = {
    "separator missing": joined,
    "separator extra": lambda cells, c, form: put(cells, c, form, "", cells[c]),
    "separator inside": lambda cells, c, form: put(cells, c, form, inside(cells[c], form.separator)),
    "separator moved": lambda cells, c, form: moved(cells, c, form, 3),
    "separator moved far": lambda cells, c, form: moved(cells, c, form, 7),
    "another separator": lambda cells, c, form: joined(cells, c, form, other_of(form)),
    "a bar for a separator": lambda cells, c, form: joined(cells, c, form, "|"),
    "a blank for a separator": lambda cells, c, form: joined(cells, c, form, " "),
    "another separator from here": lambda cells, c, form: form.separator.join([*cells[:c],
        other_of(form).join(cells[c:])]) if c < len(cells) - 1 else None,
    "stray quote inside": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], '"') + "x") if len(cells[c]) > 1 and '""' not in cells[c] else None,
    "two stray quotes inside": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], '""')) if len(cells[c]) > 1 and plain(cells[c]) else None,
    "quote opened": lambda cells, c, form: put(cells, c, form, '"' + cells[c]) if plain(cells[c]) else None,
    "quotes opened twice": lambda cells, c, form: put(cells, c, form,
        '""' + cells[c]) if plain(cells[c]) else None,
    "quote at the end": lambda cells, c, form: put(cells, c, form, cells[c] + '"') if cells[c] else None,
    "opening quote lost": lambda cells, c, form: put(cells, c, form,
        cells[c][1:]) if not plain(cells[c]) else None,
    "closing quote lost": lambda cells, c, form: put(cells, c, form,
        cells[c][:-1]) if not plain(cells[c]) else None,
    "both quotes lost": lambda cells, c, form: put(cells, c, form,
        cells[c][1:-1]) if not plain(cells[c]) and cells[c][1:-1] else None,
    "quote escaped by backslash": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], '\\"')) if len(cells[c]) > 1 else None,
    "NUL": lambda cells, c, form: put(cells, c, form, inside(cells[c], "\0")),
    "bell": lambda cells, c, form: put(cells, c, form, inside(cells[c], "\a")),
    "no text": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], "\udcff" if form.encoding == "utf-8" else "\udc81")),
    "half a letter": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], "\udcc3")) if form.encoding == "utf-8" else None,
    "a letter lost before": lambda cells, c, form: put(cells, c, form,
        inside(cells[c], "\ufffd")) if form.encoding == "utf-8" else None,
    "no-break blank": lambda cells, c, form: put(cells, c, form, inside(cells[c], "\xa0")),
    "line end inside": lambda cells, c, form: put(cells, c, form, inside(cells[c], form.end)),
    "line end before": lambda cells, c, form: put(cells, c, form, form.end + cells[c]),
    "line end after": lambda cells, c, form: put(cells, c, form, cells[c] + form.end),
    "carriage return inside": lambda cells, c, form: put(cells, c, form, inside(cells[c], "\r")),
    "row cut": lambda cells, c, form: form.separator.join([*cells[:c],
        cells[c][: len(cells[c]) // 2]]) if c < len(cells) - 1 and (c or cells[c][1:]) else None,
    "beginning lost": lambda cells, c, form: form.separator.join([cells[c][len(cells[c]) // 2 :],
        *cells[c + 1 :]]) if c else None,
    "300 kB": lambda cells, c, form: put(cells, c, form, "x" * 300_000),
    "two values": number(lambda text: f"{text} {text}"),
    "a range": number(lambda text: f"{text}-{text}"),
    "more than": number(lambda text: f">{text}"),
    "estimated": number(lambda text: f"{text} psi (est.)"),
    "other decimal mark": number(lambda text: text.replace(".", "#").replace(",", ".").replace("#", ",")),
    "power": number(lambda text: text[:2] + "e1"),
    "wide digits": number(lambda text: text.translate(WIDE)),
    "letter for a digit": number(lambda text: text.replace("1", "l").replace("0", "O")),
    "hexadecimal": number(lambda text: "0x" + re.sub("[^0-9]", "", text)),
}  # fmt: skip

# The file ends here: in the middle of a cell, at its beginning, at its end. Rows after it are gone.
CUTS = {
    "file cut in the cell": lambda cells, c, form: form.separator.join([*cells[:c],
        cells[c][: len(cells[c]) // 2]]) if len(cells[c]) > 1 else None,
    "file cut before the cell": lambda cells, c, form: form.separator.join([*cells[:c], ""]) if c else None,
    "file cut after the cell": lambda cells, c, form: form.separator.join(cells[: c + 1]),
}  # fmt: skip


def family(forms=FORMS):
    """(name of the form, kind of damage, row, column, bytes, text of
    the row) of every polluted copy that differs from the clean one.
    """
    for name in forms:
        form = FORMS[name]
        rows = [form.written(row) for row in form.rows()]
        texts = [form.separator.join(row) for row in rows]
        for r, cells in enumerate(rows):
            for c in range(len(cells)):
                for kind, damage in DAMAGE.items():
                    text = damage(cells, c, form)
                    if text is not None and text != texts[r] and _writable(text, form):
                        yield name, kind, r, c, form.file([*texts[:r], text, *texts[r + 1 :]]), text
                for kind, damage in CUTS.items():
                    text = damage(cells, c, form)
                    if text is not None and text != texts[r]:
                        yield name, kind, r, c, form.file([*texts[:r], text], last_end=False), text


def _writable(text, form):
    try:
        return bool(text.encode(form.encoding, "surrogateescape"))
    except UnicodeEncodeError:
        return False


def said(text, form, width=WIDTH, **more):
    """Cells that one strict line says, or None."""
    quiet = rf'(?:"(?:[^"{"".join(map(re.escape, more.values()))}]|""|\\.)*"|[^"\r\n{form.separator}]*)'
    if not re.fullmatch(rf"{quiet}(?:{form.separator}{quiet})*", text):
        return None
    limit = csv.field_size_limit(len(text) + 1)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=form.separator, strict=True, **more))
    finally:
        csv.field_size_limit(limit)
    return rows[0] if len(rows) == 1 and len(rows[0]) == width else None


def means(column, text, form):
    """What a text says in a column, read in the plainest way; None if nothing certain."""
    text = " ".join(text.split()) if column in (3, 4) else text.strip()
    if re.search("[\0-\x08\x0e-\x1f\ufffd]", text) and column != 10:
        return None
    if column in NUMBERS:
        return (
            float(text.replace(form.decimal, "."))
            if re.fullmatch(rf"[0-9]+(\{form.decimal}[0-9]+)?", text)
            else None
        )
    if column == 2:
        return date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text) else None
    return text or None
