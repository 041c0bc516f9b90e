"""Why a value is missing or a result must be read with care: a
fixed list, and gaps that carry a reason and a field in one number.
"""

import numpy as np

from pipelines.fields import FIELDS

# Why a result is not verified, or what must be said beside one that is. A limit of the policy stands in braces by
# its name. A snapshot keeps positions in this list; another list is another version of it.
REASONS = (
    "",
    "not recorded",
    "recorded, but the cell could not be used",
    "heating system not recorded",
    "another heating system",
    "looks like steam: relief setting too low for hot water",
    "looks like an open system",
    "boiler gauge stuck or missing",
    "heat could not be shut off",
    "cold reading taken above {cold_above_f}",
    "readings contradict each other",
    "charge read under system pressure",
    "state of the system side not recorded, and the charge could be an echo of the system",
    "charge read with no cold pressure to compare it with",
    "antifreeze recorded without percent",
    "antifreeze percent recorded without its kind",
    "outside the fluid data",
    "buffer tank recorded without its size",
    "this pressure leaves no room under this relief valve",
    "temperature rise too small to judge",
    "pressure rise too small to judge",
    "the tank's valve is closed",
    "ratio is at most this: not all zones were hot",
    "ratio is at most this: the relief valve cut the pressure off",
    "ratio is at most this: without a relief setting a cut-off reading cannot be ruled out",
    "volume is estimated",
    "too close to call",
    "it has opened since",
    "additive not recorded",
    "not tested",
    "no earlier meter reading",
    "meter went backwards",
    "fewer than five readings to compare",
    "taker of the readings not recorded",
    "tested after the visit",
    "does not apply here",
    "no cushion left",
    "would reach the relief valve",
    "cushion lost or over-charged: check the charge at zero pressure",
    "the hot reading is cut off by the relief valve",
    "meets the code table, which allows the full relief setting",
    "consistent with a charge set near sea level; not proof",
    "fill valve or leaking coil",
    "temperature not recorded: the true cold pressure may lie up to {cold_untimed_low_psi} lower",
    "replace by a plug or manual vent",
    "antifreeze not recorded: reckoned as water",
    "height estimated from stories",
    "elevation estimated from the place",
    "temperature of the tank not recorded: 60 °F taken",
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
