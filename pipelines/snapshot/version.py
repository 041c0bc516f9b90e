"""The version of a snapshot: of what it encodes and what is worked out. One of another is not read.

A snapshot keeps words, reasons, fields and checks by their positions in lists. A digest of these lists makes
sure that positions are read with the lists they were written with.
"""

import dataclasses
import hashlib
import json
from functools import cache
from importlib import metadata

from pipelines.engine import causes, codes, history
from pipelines.engine.checks import CHECKS
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import OUTCOMES
from pipelines.fields import FIELDS
from pipelines.fleet import snapshots
from pipelines.snapshot import tables

# Raised wherever the same exports come to other rows, numbers or words; tests/test_version.py holds the
# samples' tables against it.
WORKED_OUT = 14


@cache
def code_version():
    """Version of the product, a plus, and what `read_as` takes: WORKED_OUT and the digest of the lists."""
    return f"{metadata.version('coldfill')}+{WORKED_OUT}.{digest_of_lists()}"


def read_as():
    """What must be equal where a snapshot is read or added to."""
    return snapshots.read_as(code_version())


def digest_of_lists():
    """12 hexadecimal digits of all that a snapshot encodes by position or name, or keeps as text of ours."""
    return hashlib.sha256(json.dumps(encoded(), default=_plain).encode()).hexdigest()[:12]


def encoded():
    """The lists themselves, by name."""
    return {
        "fields": FIELDS,
        "checks": CHECKS,
        "reasons": REASONS,
        "outcomes": OUTCOMES,
        "states": history.STATES,
        "stages": history.STAGES,
        "levels": LEVELS,
        "notes": causes.NOTES,
        "row status": (tables.IN_FORCE, tables.SUPERSEDED, tables.REPEATED, tables.TWO_THINGS),
        "numbers of a result": codes.NUMBERS,
        "steps of certainty": codes.CERTAINTY_STEPS,
        "bits": (codes.RESULT_BITS, codes.STATE_BITS),
        "telling": codes.TELLING,
        "quantities": COLUMNS,
        "flags": FLAGS,
        "keys": tables.VISIT,
    }


def _plain(record):
    """A record of a list without its functions, which say how something is worked out."""
    values = {one.name: getattr(record, one.name) for one in dataclasses.fields(record)}
    return {name: value for name, value in values.items() if not callable(value)}


def attach(path):
    """The snapshot at a path, opened once a process. FleetError: gone, damaged or of another version."""
    return snapshots.attach(path, code_version())
