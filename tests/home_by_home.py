"""A home's visits one after another, in plain Python: what histories in the pipeline are held against.

No arrays and no room of the pipeline. A visit is field → number, word, date or text, None or absent where not
recorded; `repairs_reported` is a text of measure ids. Written from the trade notes' §2 and §6 and the order
of visits in the contract.
"""

import re
from itertools import groupby
from unicodedata import combining, normalize

OK, DEFICIENT, NOT_VERIFIED, NOT_APPLICABLE = "ok", "deficient", "not verified", "not applicable"
VISIT_ORDER = {"initial": 0, "service": 1, "final": 2, "qa": 3, None: 4}
OPEN_STATES = ("open", "recurred", "repair did not hold")
# The first of these that is so at one of two addresses stands for both.
GRAVEST = (OPEN_STATES, ("not verified",), ("corrected", "no longer applies"), ("ok",), ("not applicable",))


def in_order(visits):
    """Visits in the order of the contract."""
    return sorted(
        visits,
        key=lambda visit: (
            visit["inspected_on"],
            VISIT_ORDER[visit.get("inspection_kind")],
            str(visit.get("updated_at") or ""),
            visit["inspection_id"],
        ),
    )


def strands(visits):
    """Visits to one home as {system: [visits at its first address, at another, …]}, each in order."""
    visits = in_order(visits)
    named = {visit.get("system_id") for visit in visits} - {None, ""}
    number, found = addresses(visits), {}
    for visit in visits:
        system = visit.get("system_id") or (min(named) if len(named) == 1 else "")
        found.setdefault(system, {}).setdefault(number[visit["inspection_id"]], []).append(visit)
    return {system: [of[one] for one in sorted(of)] for system, of in found.items()}


# ---- addresses


def address_of(visit):
    """(five digits, house number, first word of the street) or None where one of the two is not recorded."""
    code, text = visit.get("postal_code"), visit.get("address")
    digits = re.search(r"[0-9]+", code or "")
    if digits is None or text is None:
        return None
    house = re.search(r"[1-9][0-9]*", text)
    plain = "".join(letter for letter in normalize("NFKD", text.lower()) if not combining(letter))
    words = [word for word in plain.split() if not any(letter in "0123456789" for letter in word)]
    street = re.search(r"[^\W\d_]+", " ".join(words))
    if house is None and street is None:
        return None
    return digits.group()[:5].zfill(5), house and house.group(), street and street.group()


def elsewhere(one, other):
    """Whether two addresses are two homes: the code differs, and the number or the street."""

    def apart(left, right):
        return left is not None and right is not None and left != right

    return one[0] != other[0] and (apart(one[1], other[1]) or apart(one[2], other[2]))


def addresses(visits):
    """Inspection id → number of the address, 0 for the first; a visit without one stays where it was."""
    seen, number, now = [], {}, 0
    for visit in visits:
        here = address_of(visit)
        if here is not None:
            now = next((at for known, at in seen if not elsewhere(known, here)), len(seen) if seen else 0)
            seen.append((here, len(seen)))
        number[visit["inspection_id"]] = now
    return number


def other_address(visits, inspection_id):
    """Whether a visit to a home was at another address than its first; None where none is recorded."""
    visits = in_order(visits)
    visit = next(one for one in visits if one["inspection_id"] == inspection_id)
    return None if address_of(visit) is None else addresses(visits)[inspection_id] > 0


# ---- the heating system


def heating_of(visit):
    """hot_water, another system, or None: a tank or a fill setting is evidence of hot water."""
    recorded = visit.get("heating_system")
    evidence = (
        visit.get("tank_type") in ("diaphragm", "plain_steel") or visit.get("fill_setting_psig") is not None
    )
    return recorded or ("hot_water" if evidence else None)


def as_found(visit):
    """Readings on such a sheet are of before the repairs reported there."""
    return visit.get("inspection_kind") not in ("final", "qa")


def reports(visit, measures):
    return bool(set((visit.get("repairs_reported") or "").split(";")) & set(measures))


class Heating:
    """What became of the heating system over the visits of one strand, in order.

    `odd` and `closing` hold inspection ids: of visits to another system than before that nothing explains,
    and of visits to another system than hot water that end what was open. `anew` holds those at which hot
    water is seen again after another system.
    """

    def __init__(self, visits):
        self.odd, self.closing, self.anew = set(), set(), set()
        spells = self.spells(visits)
        for before, spell in zip([None, *spells], spells, strict=False):
            hot = heating_of(spell[0]) == "hot_water"
            ended = before is None
            for at, visit in enumerate(spell):
                ended |= before is not None and self.explains(visits, before, spell[: at + 1])
                if ended and not hot:
                    self.closing.add(visit["inspection_id"])
            spell.explained = ended
            # Back to what stood there before a slip of the pen.
            spell.back = hot and before is not None and before.before is not None and not before.explained
            spell.before = before
            if hot and before is not None and (before.before is None or before.explained):
                self.anew.add(spell[0]["inspection_id"])
            self.look_for_odd(visits, before, spell)
        last = spells[-1] if spells else None
        changed = last is not None and last.before is not None
        self.doubt = changed and not last.explained and not last.back
        self.gone = changed and last.explained and heating_of(last[0]) != "hot_water"

    @staticmethod
    def spells(visits):
        """Visits that record a heating system, in runs of hot water and of anything else."""
        recorded = [visit for visit in visits if heating_of(visit)]
        return [Spell(run) for _, run in groupby(recorded, lambda one: heating_of(one) == "hot_water")]

    def look_for_odd(self, visits, before, spell):
        earlier = before[-1] if before else None
        for visit in spell:
            if earlier is not None and heating_of(visit) != heating_of(earlier) and not spell.back:
                shown = before is not None and self.shows(visits, before, visit)
                alike = {one["inspected_on"] for one in spell if heating_of(one) == heating_of(visit)}
                if not shown and len(alike) < 2:
                    self.odd.add(visit["inspection_id"])
            earlier = visit

    def explains(self, visits, before, so_far):
        days = {one["inspected_on"] for one in so_far if heating_of(one) == heating_of(so_far[-1])}
        return len(days) > 1 or self.shows(visits, before, so_far[-1])

    @staticmethod
    def shows(visits, before, visit):
        """Whether a visit shows a replacement, or another boiler year that is no slip."""
        last, here = visits.index(before[-1]), visits.index(visit)
        since = [*([before[-1]] if as_found(before[-1]) else []), *visits[last + 1 : here + 1]]
        if any(reports(one, ["replace-heating-system"]) for one in since):
            return True
        first = next(at for at, one in enumerate(visits) if at > last and heating_of(one))
        dated = [one for one in visits[:first] if one.get("boiler_year") is not None]
        year = visit.get("boiler_year")
        return bool(
            year is not None
            and dated
            and year != dated[-1]["boiler_year"]
            and year >= dated[-1]["inspected_on"].year - 1
        )


class Spell(list):
    """Visits one after another that saw hot water, or something else."""

    before, explained, back = None, False, False


def changed_unexplained(visits, inspection_id):
    """Whether a visit to a home saw another heating system, unexplained; None where it saw none."""
    for of_system in strands(visits).values():
        for strand in of_system:
            visit = next((one for one in strand if one["inspection_id"] == inspection_id), None)
            if visit is not None:
                return None if heating_of(visit) is None else inspection_id in Heating(strand).odd
    return None


# ---- one check


def walked(visits, outcomes, fixes=(), *, about_tank=False, safety_critical=False):
    """(state, position of the visit it stands since, position of the one that decides) over one strand.

    `outcomes` are of one check, visit by visit; `fixes` the measures that mend it.
    """
    heating = Heating(visits)
    counted = list(outcomes)
    for at, visit in enumerate(visits):
        other = heating_of(visit) not in (None, "hot_water")
        if other and outcomes[at] == NOT_APPLICABLE and visit["inspection_id"] not in heating.closing:
            counted[at] = NOT_VERIFIED
    if safety_critical:
        for _, day in groupby(range(len(visits)), lambda at: visits[at]["inspected_on"]):
            pass_over(list(day), visits, counted, fixes)
    open_as = year = tank = said = said_at = since = away = None
    ever_bad = bad_since_new = returned = held_not = repaired = False
    for at, visit in enumerate(visits):
        if visit["inspection_id"] in heating.anew:
            said = said_at = since = away = None
            bad_since_new = returned = held_not = False
        other_year = visit.get("boiler_year") is not None and year not in (None, visit["boiler_year"])
        other_tank = visit.get("tank_type") is not None and tank not in (None, visit["tank_type"])
        if other_year or (about_tank and other_tank):
            bad_since_new = returned = held_not = False
        year = year if visit.get("boiler_year") is None else visit["boiler_year"]
        tank = tank if visit.get("tank_type") is None else visit["tank_type"]
        repaired |= not as_found(visit) and reports(visit, fixes)
        if counted[at] == DEFICIENT:
            held_not |= repaired and said == DEFICIENT and bad_since_new
            since = at if said != DEFICIENT or away is not None else since
            said, said_at, away, ever_bad, bad_since_new = DEFICIENT, at, None, True, True
            repaired = False
            open_as = "repair did not hold" if held_not else "recurred" if returned else "open"
        elif counted[at] == OK:
            returned |= bad_since_new
            said, said_at, away, held_not, repaired = OK, at, None, False, False
        elif counted[at] == NOT_APPLICABLE:
            away = at
        repaired |= as_found(visit) and reports(visit, fixes)
    if said is None:
        return ("not verified", None, len(visits) - 1) if away is None else ("not applicable", None, away)
    if said == OK:
        return ("corrected" if ever_bad else "ok", None, said_at)
    if away is not None:
        return ("no longer applies", None, away)
    return (open_as, since, said_at)


def pass_over(day, visits, counted, fixes):
    """Of telling results of one day take the deficient one, unless a final or qa sheet found it mended."""
    bad = [at for at in day if counted[at] == DEFICIENT]
    if not bad:
        return
    for at in day:
        mended = any(reports(visits[one], fixes) for one in day if one <= at)
        if counted[at] == OK and at > bad[-1] and not as_found(visits[at]) and mended:
            return
    for at in day:
        counted[at] = NOT_VERIFIED if counted[at] == OK else counted[at]


def of_two_addresses(states):
    """The one of several states that stands."""
    return next(state for grave in GRAVEST for state in states if state in grave)
