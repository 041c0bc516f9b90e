"""Changes of single values in the text of a policy; everything else in it stays as it was written."""

import tomllib
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, urlencode

import tomlkit
from tomlkit.exceptions import TOMLKitError

from pipelines.engine.policy.rows import folded
from pipelines.engine.policy.source import PolicyError, read

LIMITS, ACCEPTED, RISK, MEASURES = "limits", "accepted", "risk", "measures"
TABLES = (LIMITS, ACCEPTED, RISK, MEASURES)
NAMED = f"""name one as {LIMITS}.cold_margin_psi=5, {ACCEPTED}.low_water_cutoff=probe_or_float, \
{RISK}.precharge-low.severity=2, {MEASURES}.replace-tank.cost=700; \
add &region=NAME (and &agency=NAME) for one region"""
Value = float | int | str | tuple[str, ...]


@dataclass(frozen=True)
class Edit:
    """One value to be set: of a limit, a set of accepted words, a check's severity or probability, a measure.

    `part` names which of a check's or a measure's values. With `region` it is set for that region's rows (of
    `agency`, where named), which the risk of a check cannot be.
    """

    table: str
    key: str
    value: Value
    part: str = ""
    region: str = ""
    agency: str = ""

    @property
    def about(self) -> tuple[str, ...]:
        """What it sets, whatever the value."""
        return self.table, self.key, self.part, folded(self.region), folded(self.agency)

    @property
    def text(self) -> str:
        """The edit as an address and a command have it; `edit` reads it back."""
        name = ".".join(filter(None, (self.table, self.key, self.part)))
        value = ",".join(self.value) if isinstance(self.value, tuple) else _written(self.value)
        more = {"region": self.region, "agency": self.agency}
        return urlencode({name: value} | {key: text for key, text in more.items() if text})


def edit(text: str) -> Edit:
    """The edit that a text says; PolicyError where it says none."""
    pairs = parse_qsl(text, keep_blank_values=True)
    where = dict(pairs[1:])
    table, _, rest = (pairs[0][0] if pairs else "").partition(".")
    by_part = table in (RISK, MEASURES)
    key, _, part = rest.rpartition(".") if by_part else (rest, "", "")
    if table not in TABLES or not key or by_part != bool(part) or where.keys() - {"region", "agency"}:
        raise PolicyError(f"{text!r} says no value of a policy: {NAMED}")
    if where and (table == RISK or not where.get("region")):
        raise PolicyError(f"{text!r}: a limit, accepted words or a measure can be of a region: {NAMED}")
    return Edit(table, key, _read(table, pairs[0][1]), part, where.get("region", ""), where.get("agency", ""))


def _read(table: str, text: str) -> Value:
    if table == ACCEPTED:
        return tuple(word.strip() for word in text.split(",") if word.strip())
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() and abs(number) < 1e15 else number


def _written(value: Value) -> str:
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def edited(data: bytes, name: str, edits: tuple[Edit, ...]) -> bytes:
    """The text of a policy with values set: comments, order and all else as they were.

    PolicyError where the text is no TOML, or cannot be changed so that only these values differ; whether the
    values can be used is for `policy.parse` to say.
    """
    before = read(data, name)
    wanted = tomllib.loads(before.text) if before.tables is not None else {}
    try:
        document = tomlkit.parse(before.text)
        for one in edits:
            _set(document, one, tomlkit_value)
            _set(wanted, one, _plain)
        text = tomlkit.dumps(document)
        same = _at_length(tomllib.loads(text)) == _at_length(wanted)
    except (TOMLKitError, ValueError, AttributeError, TypeError, KeyError) as error:
        raise PolicyError(f"{name}: cannot be changed by this program ({error}): {_BY_HAND}") from error
    if not same:
        raise PolicyError(f"{name}: cannot be changed so that nothing else changes: {_BY_HAND}")
    return (text.replace("\n", "\r\n") if b"\r\n" in data else text).encode()


_BY_HAND = "change it in an editor, and try it with coldfill whatif --policy FILE"


def _set(document: Any, one: Edit, made: Any) -> None:
    """Set a value in a document, or in the plain tables it stands for."""
    if one.region:
        _set_of_region(document, one, made)
        return
    if one.table not in document:
        document[one.table] = made({})
    table = document[one.table]
    there = table.get(one.key)
    name = one.part or ("words" if one.table == ACCEPTED else "value")
    if isinstance(there, dict):
        there[name] = made(one.value)
        if one.table != RISK:
            _forget_reason(there)
    elif not one.part and (there is not None or isinstance(table, tomlkit.items.InlineTable)):
        table[one.key] = made(one.value)
    else:
        table[one.key] = made({name: one.value})


def _set_of_region(document: Any, one: Edit, made: Any) -> None:
    if "region" not in document:
        document["region"] = tomlkit.aot() if made is tomlkit_value else []
    for region in document["region"]:
        named = folded(region.get("name")), folded(region.get("agency"))
        if named == (folded(one.region), folded(one.agency)):
            break
    else:
        about = {"name": one.region} | ({"agency": one.agency} if one.agency else {})
        document["region"].append(made(about))
        region = document["region"][-1]
    if one.table not in region:
        region[one.table] = made({}, inline=True)
    table, name = region[one.table], one.part or "value"
    if isinstance(there := table.get(one.key), dict):
        there[name] = made(one.value)
        if not one.part:
            _forget_reason(there)
    else:
        table[one.key] = made({name: one.value}, inline=True) if one.part else made(one.value)


def _forget_reason(entry: Any) -> None:
    """What was said of the value before is not said of the new one."""
    for said in ("mark", "why"):
        entry.pop(said, None)


def tomlkit_value(value: Any, inline: bool = False) -> Any:
    """A value as tomlkit writes it: a table with its own heading, unless inline."""
    if isinstance(value, dict):
        table = tomlkit.inline_table() if inline else tomlkit.table()
        for key, one in value.items():
            table.append(key, tomlkit_value(one, inline))
        return table
    return tomlkit.item(list(value) if isinstance(value, tuple) else value)


def _at_length(tables: dict[str, Any]) -> dict[str, Any]:
    """Tables in which a limit, or a set of words, that is written as its bare value is a table, too."""
    long = {
        table: {key: one if isinstance(one, dict) else {name: one} for key, one in found.items()}
        for table, name in ((LIMITS, "value"), (ACCEPTED, "words"))
        if isinstance(found := tables.get(table), dict)
    }
    return tables | long


def _plain(value: Any, inline: bool = False) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return list(value) if isinstance(value, tuple) else value
