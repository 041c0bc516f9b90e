"""Which mapping fits the headings of a file, and what of a heading is no part of it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipelines.fields import BY_NAME, REQUIRED
from pipelines.intake import units
from pipelines.intake.cells import collapsed, folded
from pipelines.intake.mapping import CANONICAL, Mapping
from pipelines.intake.units import ABSOLUTE, UnitError


@dataclass(frozen=True)
class Recognition:
    """Which mapping reads a file. `mapping` None: none or several fit, `why` says so in a sentence.

    `nearest` is the mapping that shares most headings; `missing` are headings it expects and the file lacks,
    `unknown` headings of the file it says nothing about; `fitting` are the names of all that fit.
    """

    mapping: Mapping | None
    why: str
    nearest: str | None
    missing: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    fitting: tuple[str, ...] = ()

    @property
    def differing(self) -> tuple[str, ...]:
        """Headings in one of the two and not in the other."""
        return (*self.missing, *self.unknown)


def recognize(headings: Sequence[str], mappings: Iterable[Mapping]) -> Recognition:
    """The one mapping that fits `headings`, or none: two fits are never decided by a guess.

    A mapping fits when the headings for every required field are there and at least half of its headings; the
    canonical one, of which a file may use a few fields only, when at least half of the file's headings are
    its.
    """
    mappings = tuple(mappings)
    here = {folded(heading): heading for heading in headings}
    fitting = [mapping for mapping in mappings if _fits(mapping, here)]
    if not mappings:
        return Recognition(None, "there is no mapping", None, unknown=tuple(headings))
    nearest = max(fitting or mappings, key=lambda mapping: (_share(mapping, here), mapping.name))
    missing = tuple(heading for at, heading in nearest.feeding.items() if at not in here)
    unknown = tuple(heading for heading in headings if not _says(nearest, heading, here))
    if len(fitting) == 1:
        return Recognition(
            nearest,
            f"the headings are those of mapping {nearest.name!r}",
            nearest.name,
            missing,
            unknown,
            (nearest.name,),
        )
    if fitting:
        names = ", ".join(sorted(repr(mapping.name) for mapping in fitting))
        return Recognition(
            None,
            f"the headings fit several mappings: {names}; name the right one with --mapping",
            nearest.name,
            missing,
            unknown,
            tuple(mapping.name for mapping in fitting),
        )
    why = f"no mapping fits these headings; nearest is {nearest.name!r}"
    lacking = [name for name in REQUIRED if not _has(nearest, name, here)]
    if lacking:
        wanted = ", ".join(f"{' + '.join(map(repr, nearest.feeds(name)))} ({name})" for name in lacking)
        why += f", for which the file lacks {wanted}"
    else:
        why += f", with {_count(nearest, here)} of its {len(nearest.feeding)} headings"
    return Recognition(None, why, nearest.name, missing, unknown)


def _has(mapping: Mapping, field: str, here) -> bool:
    headings = mapping.feeds(field)
    return bool(headings) and all(folded(heading) in here for heading in headings)


def _count(mapping: Mapping, here) -> int:
    return sum(at in here for at in mapping.feeding)


def _share(mapping: Mapping, here) -> float:
    return _count(mapping, here) / max(1, len(here) if mapping.name == CANONICAL else len(mapping.feeding))


def _fits(mapping: Mapping, here) -> bool:
    return all(_has(mapping, field, here) for field in REQUIRED) and _share(mapping, here) >= 0.5


# What a file's headings say beside the mapping -------------------------------------------------------------


def repeat_of(heading: str, here: Iterable[str]) -> str | None:
    """The folded heading that `heading`, as "X (2)", repeats in the same file; None if it repeats none."""
    name, _, number = folded(heading).rpartition(" (")
    digits = number.removesuffix(")")
    return (
        name
        if name in here and number.endswith(")") and digits.isascii() and digits.isdigit() and int(digits) > 1
        else None
    )


def _says(mapping: Mapping, heading: str, here: Iterable[str]) -> bool:
    return folded(heading) in mapping.mapped_headings or repeat_of(heading, here) in mapping.mapped_headings


def all_mapped_headings(mappings: Iterable[Mapping]) -> frozenset[str]:
    """Folded headings about which any of the mappings says anything."""
    return frozenset().union(*(mapping.mapped_headings for mapping in mappings))


def unmapped(headings: Sequence[str], mapping: Mapping) -> tuple[str, ...]:
    """Headings of a file about which the mapping says nothing, as written."""
    here = set(map(folded, headings))
    return tuple(heading for heading in headings if not _says(mapping, heading, here))


def heading_warnings(headings: Sequence[str], mapping: Mapping) -> tuple[str, ...]:
    """A sentence for each heading that names another unit than the mapping's; the mapping's unit is used."""
    by_heading = {folded(column.heading): column for column in mapping.columns}
    warnings = []
    for heading in headings:
        column = by_heading.get(folded(heading))
        own = BY_NAME[column.field].unit if column else None
        text = unit_in_heading(heading)
        if column is None or own is None or text is None:
            continue
        used = column.unit or own
        try:
            agrees = units.find(text) is units.find(used)
            also = ""
        except UnitError as error:
            agrees, also = False, f" ({error.reason})"
        if not agrees:
            warnings.append(
                f"heading {heading!r} names {text}{also}, mapping {mapping.name!r} reads it as {used}:"
                " check the mapping's unit"
            )
    return tuple(warnings)


def unit_in_heading(heading: str) -> str | None:
    """The unit a heading names: in brackets, or as its last words if they cannot be anything else."""
    text = collapsed(heading)
    for opening, closing in ("()", "[]"):
        inside = (
            text[text.find(opening) + 1 : text.rfind(closing)] if opening in text and closing in text else ""
        )
        if inside and _names_unit(inside):
            return inside
    if not text or _names_unit(text):
        return None
    words = text.replace("_", " ").replace(",", " ").split(" ")
    if len(words) > 2 and words[-2] and _names_unit(" ".join(words[-2:])):  # "sq ft", "deg F"
        return text[-len(" ".join(words[-2:])) :]
    last = words[-1]
    plain = last.strip(".").isalpha() and (len(last) == 1 or last.casefold() == "in")
    return last if last and not plain and _names_unit(last) else None


def _names_unit(text: str) -> bool:
    try:
        return bool(units.find(text))
    except UnitError as error:
        return error.reason == ABSOLUTE
