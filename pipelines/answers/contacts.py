"""Whom a client is to call: the fleet's contacts.csv, read when a notice is made; no part of a snapshot."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError, attempting
from pipelines.fleet.own_tables import lines
from pipelines.intake.cells import collapsed, folded

HEADINGS, OPTIONAL = ("agency", "name", "phone"), ("hours", "language")


@dataclass(frozen=True)
class Contact:
    """An office to call; texts are empty where nothing is known, to be filled in by hand."""

    name: str = ""
    phone: str = ""
    hours: str = ""


def contact(fleet: Fleet, agency: str, language: str, languages: tuple[str, ...]) -> Contact:
    """Whom clients of an agency call in a language (one of `languages`).

    A line of the agency goes before one for every agency (`agency` empty), then one of the language before
    one for every language. FleetError names the line that cannot be used, or that says something else than
    one before it.
    """
    with attempting("read", fleet.contacts):
        data = fleet.contacts.read_bytes() if fleet.contacts.exists() else b""
    found: dict[tuple[str, str], tuple[Contact, int]] = {}
    for number, row in lines(data, fleet.contacts, HEADINGS, OPTIONAL):
        line = f"{fleet.contacts}, line {number}"
        of, name, phone, hours, spoken = (collapsed(row[heading]) for heading in (*HEADINGS, *OPTIONAL))
        if folded(spoken) not in ("", *languages):
            accepted = f"{', '.join(languages)}, or nothing for all of them"
            raise FleetError(f"{line}: language is {accepted}, not {spoken!r}.")
        if not phone:
            raise FleetError(f"{line}: phone is empty; it needs the number that clients call.")
        one = Contact(name, phone, hours)
        before, at = found.setdefault((folded(of), folded(spoken)), (one, number))
        if before != one:
            raise FleetError(
                f"{line}: line {at} says something else of the same: keep the one that is right."
            )
    for key in ((agency, language), (agency, ""), ("", language), ("", "")):
        if (own := (folded(key[0]), key[1])) in found:
            return found[own][0]
    return Contact()
