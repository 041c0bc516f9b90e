"""A TOML file of limits, and the line of it that an error is about."""

import re
import tomllib
from dataclasses import dataclass
from functools import cached_property
from typing import Any

KEY = r"""(?:"[^"]*"|'[^']*'|[\w-]+)"""
KEYS = rf"{KEY}(?:\s*\.\s*{KEY})*"
HEADER = re.compile(rf"\s*(\[\[?)\s*({KEYS})\s*\]")
VALUE = re.compile(rf"\s*({KEYS})\s*=")
QUOTES = ('"""', "'''")

Keys = tuple[str | int, ...]


class PolicyError(Exception):
    """A policy that cannot be used; the message names the file, the line, the key and what is accepted."""


@dataclass(frozen=True)
class Source:
    """The text of a policy; an empty one stands for a file that is not there."""

    path: str
    text: str = ""

    @cached_property
    def tables(self) -> dict[str, Any]:
        """The tables of the file by name; PolicyError where it is no TOML."""
        try:
            return tomllib.loads(self.text)
        except (ValueError, RecursionError) as error:
            found = re.search(r"at line (\d+)", str(error))
            raise PolicyError(
                self._said(int(found[1]) if found else 0, f"not readable as TOML ({error})")
            ) from error

    def wrong(self, keys: Keys, message: str) -> PolicyError:
        """The error about what stands under these keys; the position of a table in a list is a key, too."""
        return PolicyError(self._said(self.line(keys), message))

    def line(self, keys: Keys) -> int:
        """The line on which a key stands, or the table it should be in; 0 where there is neither."""
        return next(
            (self._lines[keys[:end]] for end in range(len(keys), 0, -1) if keys[:end] in self._lines), 0
        )

    def _said(self, line: int, message: str) -> str:
        return f"{self.path}{f', line {line}' if line else ''}: {message}"

    @cached_property
    def _lines(self) -> dict[Keys, int]:
        """Line of each header and each key that begins one, by all its keys."""
        found: dict[Keys, int] = {}
        many: dict[Keys, int] = {}  # position of the last table in each list of tables
        header: Keys = ()
        within = False  # a text of several lines
        for number, line in enumerate(self.text.split("\n"), start=1):
            if not within and (match := HEADER.match(line)):
                header = self._absolute(_split(match[2]), many, new=match[1] == "[[")
                found.setdefault(header, number)
            elif not within and (match := VALUE.match(line)):
                found.setdefault((*header, *_split(match[1])), number)
            within ^= bool(sum(line.count(quotes) for quotes in QUOTES) % 2)
        return found

    @staticmethod
    def _absolute(keys: list[str], many: dict[Keys, int], new: bool) -> Keys:
        """Keys of a header with positions in lists; `new` begins another table of its list."""
        out: Keys = ()
        for depth, key in enumerate(keys, start=1):
            out = (*out, key)
            if new and depth == len(keys):
                many[out] = many.get(out, -1) + 1
            if out in many:
                out = (*out, many[out])
        return out


def _split(keys: str) -> list[str]:
    return [key.strip("\"'") for key in re.findall(KEY, keys)]


def read(data: bytes, path: str) -> Source:
    """The source of these bytes, which errors call `path`; PolicyError where they are not UTF-8."""
    try:
        return Source(path, data.decode("utf-8").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise PolicyError(f"{path}, line {line}: not readable as TOML: it is not UTF-8 text") from error
