"""Why a value is missing or a result must be read with care: the list of reasons.

A gap carries a reason and a field in one number.
"""

import numpy as np

from pipelines.fields import FIELDS

# Why a result is not verified, or what must be said beside one that is. A limit of the policy stands in
# braces by its name. A snapshot keeps positions in this list; with another list it is made anew.
REASONS = (
    "",
    # any reading
    "not recorded",
    "recorded, but the cell could not be used",
    "readings contradict each other",
    "too close to call",
    "does not apply here",
    # the system
    "heating system not recorded",
    "another heating system",
    "looks like steam: relief setting too low for hot water",
    "looks like an open system",
    "height estimated from stories",
    "elevation estimated from the place",
    # pressures and temperatures
    "boiler gauge stuck or missing",
    "heat could not be shut off",
    "cold reading taken above {cold_above_f}",
    "temperature not recorded: the true cold pressure may lie up to {cold_untimed_low_psi} lower",
    "implausible pressure",
    "implausible: more than {cold_above_hot_psi} above the hot pressure of the visit",
    "fill valve or leaking coil",
    "looks like a water heater's valve",
    "leaking coil",
    "would open the relief valve",
    "looks like a water heater's valve",
    # what the loop holds
    "antifreeze recorded without percent",
    "antifreeze percent recorded without its kind",
    "antifreeze not recorded: reckoned as water",
    "outside the fluid data",
    "buffer tank recorded without its size",
    "volume is estimated",
    # charge of the tank
    "charge read under system pressure",
    "state of the system side not recorded, and the charge could be an echo of the system",
    "charge read with no cold pressure to compare it with",
    "water came out of the tank's air valve",
    "temperature of the tank not recorded: 60 °F taken",
    "height of the tank above the gauge not recorded: 0 ft taken",
    "the fill pressure is off, too: set the fill, then the charge to it",
    "consistent with a charge set near sea level; not proof",
    # size and cushion of the tank
    "this pressure leaves no room under this relief valve",
    "meets the code table, which allows the full relief setting",
    "temperature rise too small to judge",
    "pressure rise too small to judge",
    "the tank's valve is closed",
    "ratio is at most this: not all zones were hot",
    "ratio is at most this: not recorded whether all zones were hot",
    "ratio is at most this: the relief valve may have held the pressure down",
    "ratio is at most this: without a relief setting a cut-off reading cannot be ruled out",
    "the relief valve may have held the hot pressure down",
    "by its charge, read at zero pressure, and air at its valve",
    "a tank with half its gas would have risen further",
    "no cushion left",
    "cushion lost or over-charged: check the charge at zero pressure",
    # valves, air and water
    "it has opened since",
    "additive not recorded",
    "the water may be poisoned: do not drink it",
    "some codes ask for a double wall",
    "kind of boiler not recorded: this switch is accepted at forced-flow boilers only",
    "not recorded which of the two switches it is",
    "the loop is flat: never feed cold water to a hot boiler that has run low",
    "not tested",
    "tested after the visit",
    "replace by a plug or manual vent",
    "no earlier meter reading",
    "meter went backwards",
    # other visits
    "fewer than five readings to compare",
    "taker of the readings not recorded",
    "address or postal code not recorded",
)
WHY = {text: code for code, text in enumerate(REASONS)}
FIELD_CODE = {field.name: code for code, field in enumerate(FIELDS)}
NO_FIELD = -1


def in_words(quoted):
    """REASONS as they are shown, the limits they name as `quoted` by the policy (`Policy.quoted`)."""
    return tuple(text.format_map(quoted) for text in REASONS)


def why(text):
    """Code of a reason; KeyError where the text is not in the fixed list."""
    return WHY[text]


# A gap says in one number why a value is missing and which field was lacking; 0 is no gap.


def gap(reason, field=None):
    """The gap of a reason, a text or codes, and a field; KeyError for one that does not exist."""
    code = why(reason) if isinstance(reason, str) else reason
    return np.uint16(code) | np.uint16(FIELD_CODE[field] + 1 << 8 if field else 0)


def reason_of(gaps):
    """Codes of the reasons of gaps."""
    return (gaps & 0xFF).astype(np.uint8)


def field_of(gaps):
    """Codes of the fields of gaps, NO_FIELD where none is named."""
    return (gaps >> 8).astype(np.int16) - 1


def first_gap(gaps):
    """The first of several gaps per inspection."""
    found, *others = gaps
    for other in others:
        found = np.where(found == 0, other, found)
    return found
