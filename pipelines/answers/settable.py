"""What of a policy can be set one value at a time, and what stands there now: for who wants to change it."""

from dataclasses import dataclass, field

from pipelines.answers.phrases import called
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy.edits import ACCEPTED, LIMITS, MEASURES, RISK, Edit, Value
from pipelines.engine.policy.measures import FIGURES, INVENTED
from pipelines.engine.policy.policy import PROBABILITIES, SETS_OF, Policy, Region
from pipelines.engine.policy.rows import folded
from pipelines.engine.risk import rating
from pipelines.fields import BY_NAME

SHIPPED_REASON = "ships beside the check"
INVENTED_REASON = "for demonstration: put your own in its place"
NO_FIGURE = "nobody has said it: no plan holds such work until somebody does"


@dataclass(frozen=True)
class Own:
    """What a region, or a day on, has of its own in the place of a value; '' means any."""

    region: str
    agency: str
    effective_from: str
    value: Value


@dataclass(frozen=True)
class Setting:
    """One value of a policy: `table`, `key` and `part` as in Edit, `value` for all rows (None: nobody has
    said it), why it is so.

    `words` are those a set is made of, or the choices of a check's value; a number without any lies between
    `least` and `most` and may have to be `whole`. `by_region` is whether a region may have its own, `own`
    those that have.
    """

    table: str
    key: str
    title: str
    value: Value | None
    part: str = ""
    unit: str = ""
    mark: str = ""
    why: str = ""
    words: tuple[str, ...] = ()
    least: float = 0.0
    most: float = float("inf")
    whole: bool = False
    by_region: bool = False
    own: tuple[Own, ...] = field(default=())

    @property
    def name(self) -> str:
        """What it is called in an address: limits.cold_margin_psi."""
        return ".".join(filter(None, (self.table, self.key, self.part)))

    def of(self, region: str, agency: str = "") -> Value | None:
        """The value for a region: its own where it has one for every visit."""
        wanted = folded(region), folded(agency)
        for one in self.own:
            if (folded(one.region), folded(one.agency)) == wanted and not one.effective_from:
                return one.value
        return self.value


def settings(policy: Policy) -> tuple[Setting, ...]:
    """All that can be set on its own, in the order of the policy."""
    return (*_limits(policy), *_accepted(policy), *_ratings(policy), *_figures(policy))


def now(found: dict[str, Setting], one: Edit) -> Value | None:
    """What stands in the place of an edit now."""
    setting = found[".".join(filter(None, (one.table, one.key, one.part)))]
    return setting.of(one.region, one.agency) if one.region else setting.value


def _limits(policy: Policy):
    for name, limit in policy.limits.items():
        yield Setting(
            LIMITS,
            name,
            called(name),
            limit.value,
            unit=limit.unit,
            mark=limit.mark,
            why=limit.why,
            least=limit.least,
            most=limit.most,
            whole=limit.whole,
            by_region=limit.by_region,
            own=_own(policy, LIMITS, name),
        )


def _accepted(policy: Policy):
    for name, entry in policy.accepted.items():
        yield Setting(
            ACCEPTED,
            name,
            called(name),
            tuple(entry["words"]),
            mark=entry["mark"],
            why=entry["why"],
            words=BY_NAME[SETS_OF[name]].words,
            by_region=True,
            own=_own(policy, ACCEPTED, name),
        )


def _ratings(policy: Policy):
    for check in HOME_CHECKS:
        severity, probability = rating(check, policy)
        own = policy.risk.get(check.id, {})
        for part, value, words in (
            ("severity", severity, ("1", "2", "3", "4")),
            ("probability", probability, tuple(PROBABILITIES)),
        ):
            yield Setting(
                RISK,
                check.id,
                f"{check.title}: {part}",
                value,
                part=part,
                mark="policy",
                why="set by the agency" if part in own else SHIPPED_REASON,
                words=words,
            )


def _figures(policy: Policy):
    for measure in policy.measures:
        why = INVENTED_REASON if measure.mark == INVENTED else "set by the agency"
        for part, (unit, most) in FIGURES.items():
            value = getattr(measure, part)
            yield Setting(
                MEASURES,
                measure.id,
                f"{measure.title}: {part}",
                value,
                part=part,
                unit=unit,
                mark=measure.mark,
                why=NO_FIGURE if value is None else why,
                most=most,
                by_region=True,
                own=_own_figures(policy, measure.id, part),
            )


def _own_figures(policy: Policy, measure: str, part: str) -> tuple[Own, ...]:
    return tuple(
        Own(one.name, one.agency, _day(one), one.measures[measure][part])
        for one in policy.regions
        if part in one.measures.get(measure, {})
    )


def _day(region: Region) -> str:
    return region.effective_from.isoformat() if region.effective_from else ""


def _own(policy: Policy, table: str, name: str) -> tuple[Own, ...]:
    return tuple(
        Own(
            region.name,
            region.agency,
            _day(region),
            getattr(region, table)[name],
        )
        for region in policy.regions
        if name in getattr(region, table)
    )
