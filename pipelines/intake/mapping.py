"""Mappings: which heading of an agency's export feeds which field, and in what unit and words.

A mapping is a TOML file that people who do not write Python keep; its name is the file's. It is read whole,
checked whole, and an error names the file and the key. "canonical" is built in: its headings are the field
names themselves.
"""

import hashlib
import json
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from pathlib import Path

from pipelines.fields import BY_NAME, FIELDS, REQUIRED, TEXT, WORD, WORDS
from pipelines.intake import units
from pipelines.intake.cells import collapsed, folded, word_key
from pipelines.intake.units import UnitError

CANONICAL = "canonical"
DECIMALS = (".", ",")
DATES = ("ymd", "dmy", "mdy")
DELIMITERS = (",", ";", "\t", "|")
CENTURIES = range(1900, 2001)  # where the hundred years may begin that years of two digits stand for
_PLAIN_KEYS = (
    *("agency", "encoding", "delimiter", "decimal", "dates", "two_digit_years_from"),
    *("not_recorded", "carry", "ignore"),
)


class MappingError(ValueError):
    """A mapping that cannot be used; says the file, the key, and what is accepted."""

    def __init__(self, file: str, key: str, problem: str):
        self.file, self.key, self.problem = file, key, problem
        super().__init__(f"{file}: {key}: {problem}" if key else f"{file}: {problem}")


@dataclass(frozen=True)
class Column:
    """One heading that feeds one field. `unit` None is the field's own; `words` are (text, word) pairs."""

    heading: str
    field: str
    unit: str | None = None
    words: tuple[tuple[str, str], ...] = ()

    @cached_property
    def translations(self) -> dict[str, str]:
        """word_key of a text → word."""
        return {word_key(text): word for text, word in self.words}


@dataclass(frozen=True)
class Join:
    """Several headings joined into one text field with `mark` between them ("with" in the file)."""

    field: str
    headings: tuple[str, ...]
    mark: str = "-"


@dataclass(frozen=True)
class Mapping:
    """How one kind of export is read. `text` is its TOML, as found.

    Years of two digits are none of the dates it reads unless `two_digit_years_from` says which century.
    """

    name: str
    columns: tuple[Column, ...]
    joins: tuple[Join, ...] = ()
    agency: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str = "."
    dates: str = "ymd"
    two_digit_years_from: int | None = None
    not_recorded: tuple[str, ...] = ()
    carry: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    text: str = ""

    @cached_property
    def sha256(self) -> str:
        """Hash of the TOML text, which names it in the fleet folder."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    @cached_property
    def feeding(self) -> dict[str, str]:
        """Folded heading → heading, of every heading that feeds a field, in the mapping's order."""
        headings = [
            *(heading for join in self.joins for heading in join.headings),
            *(column.heading for column in self.columns),
        ]
        return {folded(heading): heading for heading in headings}

    @cached_property
    def mapped_headings(self) -> frozenset[str]:
        """Folded headings the mapping says anything about."""
        return frozenset((*self.feeding, *map(folded, self.carry), *map(folded, self.ignore)))

    def feeds(self, field: str) -> tuple[str, ...]:
        """Headings that feed `field`; none if the mapping has none."""
        for join in self.joins:
            if join.field == field:
                return join.headings
        return tuple(column.heading for column in self.columns if column.field == field)


@cache
def canonical() -> Mapping:
    """The built-in mapping: every field under its own name."""
    mapping = Mapping(CANONICAL, tuple(Column(field.name, field.name) for field in FIELDS))
    return Mapping(CANONICAL, mapping.columns, text=to_toml(mapping))


# Reading ---------------------------------------------------------------------------------------------------


def load_mappings(folder: Path | str) -> tuple[Mapping, ...]:
    """The canonical mapping, then every `*.toml` directly in `folder`, by name.

    A folder that does not exist is empty. Raises MappingError at the first file that cannot be used.
    """
    files = sorted(Path(folder).glob("*.toml"), key=lambda path: path.stem)
    return canonical(), *map(read_mapping, files)


def read_mapping(path: Path | str) -> Mapping:
    """The mapping in one TOML file; raises MappingError."""
    path = Path(path)
    return parse_bytes(path.stem, path.read_bytes())


def parse_bytes(name: str, data: bytes) -> Mapping:
    """The mapping that the bytes of a file describe; raises MappingError."""
    try:
        text = text_of(data)
    except UnicodeDecodeError as error:
        wrong = f"not UTF-8 at byte {error.start}; save it as UTF-8"
        raise MappingError(f"{name}.toml", "", wrong) from None
    return parse_mapping(name, text)


def text_of(data: bytes) -> str:
    """The text of a mapping's file, whatever its line ends, without a byte order mark."""
    return data.decode("utf-8-sig").replace("\r\n", "\n")


@lru_cache(maxsize=64)
def parse_mapping(name: str, text: str, file: str | None = None) -> Mapping:
    """The mapping a TOML text describes; `file` is what errors call it."""
    file = file or f"{name}.toml"
    if name == CANONICAL:
        raise MappingError(
            file, "", f"the name {CANONICAL!r} is taken by the built-in mapping; give the file another name"
        )
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MappingError(file, "", f"not TOML: {error}") from None
    return _Reader(file).mapping(name, table, text)


def _likeness(known: str, text: str) -> float:
    ours, theirs = set(known.split("_")), set(word_key(text).split("_"))
    return len(ours & theirs) / len(ours | theirs)


class _Reader:
    """Turns a parsed table into a Mapping; holds the file's name for its errors."""

    def __init__(self, file: str):
        self.file = file

    def fail(self, key: str, problem: str):
        raise MappingError(self.file, key, problem)

    def mapping(self, name: str, table: dict, text: str) -> Mapping:
        self.only(table, "", (*_PLAIN_KEYS, "columns", "join"))
        mapping = Mapping(
            name,
            columns=tuple(
                self.column(heading, entry) for heading, entry in self.table(table, "columns").items()
            ),
            joins=tuple(self.join(field, entry) for field, entry in self.table(table, "join").items()),
            agency=self.string(table, "agency"),
            encoding=self.encoding(table),
            delimiter=self.one_of(table, "delimiter", DELIMITERS),
            decimal=self.one_of(table, "decimal", DECIMALS) or ".",
            dates=self.one_of(table, "dates", DATES) or "ymd",
            two_digit_years_from=self.year(table, "two_digit_years_from"),
            not_recorded=self.strings(table, "not_recorded"),
            carry=self.strings(table, "carry"),
            ignore=self.strings(table, "ignore"),
            text=text,
        )
        self.check_whole(mapping)
        return mapping

    def check_whole(self, mapping: Mapping) -> None:
        fed: dict[str, str] = {}
        for key, field in [(f"join.{join.field}", join.field) for join in mapping.joins] + [
            (f'columns."{column.heading}"', column.field) for column in mapping.columns
        ]:
            if field in fed:
                self.fail(
                    key,
                    f"field {field} is already fed by {fed[field]}; "
                    f"one heading for each field, or a [join.{field}]",
                )
            fed[field] = key
        for field in REQUIRED:
            if field not in fed:
                self.fail("columns", f"no heading feeds {field}; every mapping needs {', '.join(REQUIRED)}")
        seen: dict[str, str] = {}
        for key, headings in (
            ("columns", [column.heading for column in mapping.columns]),
            ("carry", mapping.carry),
            ("ignore", mapping.ignore),
        ):
            here: set[str] = set()
            for heading in headings:
                at = folded(heading)
                if not at:
                    self.fail(key, "an empty heading")
                if at in here:
                    self.fail(key, f"heading {heading!r} stands twice (headings compare without case)")
                if key == "ignore" and (at in seen or at in mapping.feeding):
                    self.fail(key, f"heading {heading!r} is used as well; take it out of one place")
                here.add(at)
                seen[at] = key

    def column(self, heading: str, entry) -> Column:
        key = f'columns."{heading}"'
        if not isinstance(entry, dict):
            self.fail(key, 'needs a table, such as field = "cold_pressure_psig"')
        self.only(entry, key, ("field", "unit", "words"))
        field = self.field(key, entry.get("field"))
        unit = self.string(entry, "unit", key)
        if unit is not None:
            if field.unit is None:
                self.fail(f"{key}.unit", f"field {field.name} has no unit; take the line out")
            try:
                units.affine(unit, field.unit)
            except UnitError as error:
                self.fail(f"{key}.unit", f"{error} (for {field.name}, in {field.unit})")
        return Column(heading, field.name, unit, self.words(key, field, entry.get("words")))

    def words(self, key: str, field, entry) -> tuple[tuple[str, str], ...]:
        if entry is None:
            return ()
        key = f"{key}.words"
        if field.kind not in (WORD, WORDS):
            self.fail(key, f"field {field.name} takes no words")
        if not isinstance(entry, dict) or not all(isinstance(word, str) for word in entry.values()):
            self.fail(key, 'needs a table of texts, such as { "J" = "yes" }')
        seen: dict[str, str] = {}
        for text, word in entry.items():
            if not collapsed(text):
                self.fail(key, "an empty cell is not recorded and means no word")
            if field.kind == WORD and word not in field.words:
                self.fail(
                    f'{key}."{text}"',
                    f"{word!r} is no word of {field.name}; accepted: {', '.join(field.words)}",
                )
            if seen.setdefault(word_key(text), word) != word:
                self.fail(
                    f'{key}."{text}"', "says two things (blanks, hyphens, underscores and case count alike)"
                )
        return tuple(entry.items())

    def join(self, field_name: str, entry) -> Join:
        key = f"join.{field_name}"
        field = self.field(key, field_name)
        if field.kind != TEXT:
            self.fail(key, f"only text fields can be joined; {field.name} is a {field.kind}")
        if not isinstance(entry, dict):
            self.fail(key, 'needs columns = ["A", "B"]')
        self.only(entry, key, ("columns", "with"))
        headings = self.strings(entry, "columns", key)
        if len({folded(heading) for heading in headings} - {""}) < max(2, len(headings)):
            self.fail(f"{key}.columns", "needs two or more different headings")
        mark = self.string(entry, "with", key, blank=True)
        return Join(field.name, headings, "-" if mark is None else mark)

    def field(self, key: str, name):
        if name not in BY_NAME:
            near = sorted(BY_NAME, key=lambda known: -_likeness(known, str(name)))[:3]
            self.fail(
                f"{key}.field" if key.startswith("columns") else key,
                f"no field {name!r}; nearest: {', '.join(near)}",
            )
        return BY_NAME[name]

    def encoding(self, table: dict) -> str | None:
        name = self.string(table, "encoding")
        try:
            "".encode(name or "utf-8")
        except (LookupError, ValueError):
            self.fail("encoding", f"no encoding {name!r}; such as utf-8, windows-1252, utf-16")
        return name

    def only(self, table: dict, key: str, accepted: Sequence[str]) -> None:
        for name in table:
            if name not in accepted:
                self.fail(
                    f"{key}.{name}" if key else name, f"not a key here; accepted: {', '.join(accepted)}"
                )

    def table(self, table: dict, name: str) -> dict:
        entry = table.get(name, {})
        if not isinstance(entry, dict):
            self.fail(name, "needs a table")
        return entry

    def string(self, table: dict, name: str, key: str = "", blank: bool = False) -> str | None:
        value = table.get(name)
        if value is not None and (not isinstance(value, str) or not (blank or value.strip())):
            self.fail(f"{key}.{name}" if key else name, "needs a text in quotes")
        return value

    def strings(self, table: dict, name: str, key: str = "") -> tuple[str, ...]:
        value = table.get(name, [])
        if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
            self.fail(f"{key}.{name}" if key else name, 'needs a list of texts, such as ["A", "B"]')
        return tuple(value)

    def year(self, table: dict, name: str) -> int | None:
        value = table.get(name)
        if value is not None and (type(value) is not int or value not in CENTURIES):
            first, last = CENTURIES[0], CENTURIES[-1]
            self.fail(name, f"needs a year from {first} to {last}, such as 1970: 70 is 1970, 69 is 2069")
        return value

    def one_of(self, table: dict, name: str, accepted: Sequence[str]) -> str | None:
        value = table.get(name)
        if value is not None and value not in accepted:
            self.fail(name, f"{value!r} is not one of {', '.join(map(repr, accepted))}")
        return value


# Writing ---------------------------------------------------------------------------------------------------


def to_toml(mapping: Mapping) -> str:
    """The mapping as TOML; reading it back gives an equal mapping, but for `text`."""
    lines = []
    for key in _PLAIN_KEYS:
        value = getattr(mapping, key)
        if value and (key, value) not in (("decimal", "."), ("dates", "ymd")):
            lines.append(f"{key} = {_toml(value)}")
    for column in mapping.columns:
        lines += ["", f"[columns.{_toml(column.heading)}]", f"field = {_toml(column.field)}"]
        lines += [f"unit = {_toml(column.unit)}"] if column.unit else []
        if column.words:
            lines.append(
                f"words = {{ {', '.join(f'{_toml(text)} = {_toml(word)}' for text, word in column.words)} }}"
            )
    for join in mapping.joins:
        lines += [
            "",
            f"[join.{join.field}]",
            f"columns = {_toml(join.headings)}",
            f"with = {_toml(join.mark)}",
        ]
    return "\n".join(lines).lstrip("\n") + "\n"


def _toml(value: str | int | Sequence[str]) -> str:
    """A TOML basic string, or a list of them: JSON's escapes, and the one control JSON leaves alone."""
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return f"[{', '.join(map(_toml, value))}]"
